"""What the parsers of several commands have in common. Nothing slow is imported here."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from harness.core.errors import UserError
from harness.core.output import complain, console, wrapped
from harness.core.quantities import parse_quantity

if TYPE_CHECKING:
    from _typeshed import DataclassInstance
    from rich.console import Console

PROCEDURES = (
    "current_ratio, turns_check, power_and_phase, smallest_current, no_load, endurance, energy_register, waveform_influence, bench_check "
    "or a FILE.py (default: current_ratio)"
)

EXIT_STATUS = """exit status:
  0  verdict pass or conditional pass
  1  verdict fail or conditional fail
  2  error in a file or on the command line
  3  aborted; everything is off and confirmed
  4  NOT SAFE: an instrument did not confirm
  5  defect of the program or of its installation"""


def status_unpowered(*own: str) -> str:
    """The exit status of a command that energises nothing; `own` are its lines for 0, 1 and 2."""
    lines = "\n  ".join(["exit status:", *own, "3  aborted", "5  defect of the program or of its installation"])
    return f"{lines}\n(4, NOT SAFE, cannot occur: nothing is energised)"


STATUS_WITHOUT_VERDICT = status_unpowered("0  done", "2  error in a file or on the command line")

DEFAULT_TRIALS = 1_000_000
"""JCGM 101:2008, 7.2.3: often delivers an interval for 95 % correct to one or two significant digits."""

FEWEST_TRIALS = 200_000
"""JCGM 101:2008, 7.2.2: at least 10^4 times 1 / (1 - p); at p = 95 % that many."""

CommandOptions = TypeVar("CommandOptions", bound="DataclassInstance")
"""The options of one command."""

ParsedNumber = TypeVar("ParsedNumber", int, float)


@dataclass(frozen=True, kw_only=True)
class Attended:
    """Options of a command that somebody at the bench attends."""

    operator: str = ""
    overrides: tuple[str, ...] = ()
    cautions_read: bool = False
    transcript: Path | None = None


class OneLine(argparse.ArgumentParser):
    """A parser that tells a mistake as every other mistake is told: in a line, with where to read on."""

    def error(self, message: str) -> NoReturn:
        complain(f"{message} (see {self.prog} --help)")
        self.exit(2)


def add_command(
    commands: Any,
    name: str,
    summary: str,
    action: tuple[type[CommandOptions], Callable[[CommandOptions], int]],
    examples: Sequence[str],
    status: str = EXIT_STATUS,
) -> argparse.ArgumentParser:
    """The parser of one command; `action` is the class of its options, every field an argument, and what takes them."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=wrapped(f"{summary[0].upper()}{summary[1:]}.", ""),
        epilog="\n".join(["examples:", *(f"  {e}" for e in examples), "", status]),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    kind, do = action
    parser.set_defaults(command=lambda parsed: do(_asked(kind, parsed)))
    return parser


def on_console(do: Callable[[CommandOptions, Console], int]) -> Callable[[CommandOptions], int]:
    """`do` with the console, for commands that show tables or live displays; for others it is not loaded."""
    return lambda options: do(options, console())


def _asked(kind: type[CommandOptions], parsed: argparse.Namespace) -> CommandOptions:
    given = {field.name: getattr(parsed, field.name) for field in fields(kind)}
    return kind(**{name: tuple(value) if isinstance(value, list) else value for name, value in given.items()})


def add_repeated(parser: argparse.ArgumentParser, option: str, metavar: str, summary: str, **more: Any) -> None:
    """An option that may be given several times, under its name in the plural."""
    named = f"{option.removeprefix('--')}s"
    parser.add_argument(option, dest=named, action="append", default=[], metavar=metavar, help=summary, **more)


def add_out(parser: argparse.ArgumentParser, summary: str, default: Path | None = None) -> None:
    """The folder that results are left in."""
    parser.add_argument("--out", type=Path, default=default, metavar="DIR", help=f"folder for {summary}")


def add_procedure(parser: argparse.ArgumentParser, default: str | None = "current_ratio") -> None:
    """Which procedure, and how long it holds or waits. `default`: None where it depends on other options."""
    parser.add_argument("--procedure", default=default, help=PROCEDURES)
    parser.add_argument(
        "--hold",
        type=partial(number, float, "a number of seconds, as 600"),
        default=600.0,
        metavar="SECONDS",
        help="duration of endurance, energy_register and no_load on every range (default: %(default)g)",
    )


def add_causes(parser: argparse.ArgumentParser, summary: str = "your own causes, added to the shipped ones") -> None:
    """A file of causes."""
    parser.add_argument("--causes", type=Path, metavar="FILE", help=summary)


def add_attended(parser: argparse.ArgumentParser) -> None:
    """The fields of `Attended`."""
    parser.add_argument(
        "--operator", default="", metavar="NAME", help="name of the operator; printed on the certificate"
    )
    add_repeated(
        parser,
        "--override",
        "WHAT",
        "continue despite a problem: rehearsal, serial:INSTRUMENT, due:INSTRUMENT or replayed:INSTRUMENT; printed on the certificate",
    )
    parser.add_argument(
        "--cautions-read",
        action="store_true",
        help="confirm without being asked that the cautions have been read, and that the bench is guarded against contact, an "
        "emergency stop is within reach of a person who stays there, and the load's own limits and time-out are set",
    )
    add_transcript(parser)


def add_transcript(parser: argparse.ArgumentParser) -> None:
    """Where to keep transcripts."""
    parser.add_argument(
        "--transcript",
        type=Path,
        metavar="DIR",
        help="record every exchange with instruments and operator in DIR, for `ratioproof replay`",
    )


def add_trials(parser: argparse.ArgumentParser) -> None:
    """Whether the evaluation is validated, and by how many trials; 0 where it is not."""
    parser.add_argument(
        "--monte-carlo",
        dest="trials",
        type=_trials,
        nargs="?",
        const=DEFAULT_TRIALS,
        default=0,
        metavar="TRIALS",
        help=f"validate every result by so many trials after JCGM 101 (default when given: {DEFAULT_TRIALS}, some ten seconds)",
    )


def _trials(text: str) -> int:
    if not text.isdecimal() or int(text) < FEWEST_TRIALS:
        raise argparse.ArgumentTypeError(
            f"found {text!r}, expected a number of trials of at least {FEWEST_TRIALS}, or no value (then put the option last)"
        )
    return int(text)


def quantity(option: str, text: str, unit: str, allowed: Callable[[float], bool], expected: str) -> float:
    """The SI value of `text`, given with `option`, in `unit` as in `parse_quantity`. Raises UserError, also where it is not `allowed`."""
    try:
        value = parse_quantity(text, unit)
    except ValueError as failure:
        raise UserError(f"{option}: {failure}") from None
    if not allowed(value):
        raise UserError(f"{option}: found {text!r}, expected {expected}")
    return value


def number(kind: type[ParsedNumber], expected: str, text: str) -> ParsedNumber:
    """`text` as a number of this kind. Raises ArgumentTypeError."""
    try:
        return kind(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected {expected}") from None
