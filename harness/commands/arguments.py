"""The words of the command line: every command, its options and examples. Nothing slow is imported here."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from harness.commands import dispatch

PROCEDURES = (
    "current_ratio, turns_check, power_and_phase, smallest_current, no_load, endurance, bench_check or a FILE.py "
    "(default: %(default)s)"
)

EXIT_STATUS = """exit status:
  0  verdict pass or conditional pass    3  aborted, and everything is off and confirmed
  1  verdict fail or conditional fail    4  NOT SAFE: an instrument did not confirm
  2  a file or the command line is       5  a defect of the program, or a package
     wrong                                  that is missing"""


DESIGN_STATUS = """exit status:
  0  nothing in the way      3  aborted
  1  something in the way    5  a defect of the program, or a package that is missing
  2  a file or the command line is wrong
     (4, NOT SAFE, cannot be: nothing is energised)"""


DEFAULT_TRIALS = 1_000_000
"""JCGM 101:2008, 7.2.3: often delivers an interval for 95 % correct to one or two significant digits."""

FEWEST_TRIALS = 200_000
"""JCGM 101:2008, 7.2.2: at least 10^4 times 1 / (1 - p); at p = 95 % that many."""


class _OneLine(argparse.ArgumentParser):
    """A parser that tells a mistake as every other mistake is told: in a line, with where to read on."""

    def error(self, message: str) -> NoReturn:
        """End with exit status 2."""
        self.exit(2, f"ratioproof: {message} (see {self.prog} --help)\n")


class _Version(argparse.Action):
    """Looks the version up only when it is asked for: that takes time."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        """Print and end with exit status 0."""
        from harness.core.version import software

        print(software())
        parser.exit()


def parser() -> argparse.ArgumentParser:
    """Every command with its options; `command` is the action that takes the parsed arguments."""
    whole = _OneLine(
        prog="ratioproof",
        description="Prove what every range of a modified current-transformer meter reads.",
        epilog=EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    whole.add_argument("--version", action=_Version, nargs=0, help="print name and version, and end")
    commands = whole.add_subparsers(title="commands", metavar="COMMAND", required=True)

    demo = _command(
        commands,
        "demo",
        "the whole job on a simulated bench",
        dispatch.demo,
        [
            "ratioproof demo",
            "ratioproof demo --fault section-reversed --out reversed",
            "ratioproof demo --fault turn-missing:x20 --procedure turns_check",
        ],
    )
    demo.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME",
        help="a fault to put in, NAME or NAME:RANGE; may be repeated",
    )
    demo.add_argument("--list-faults", action="store_true", help="list the faults and end")
    demo.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        help="folder to leave everything in (default: a new one named by the time)",
    )
    demo.add_argument(
        "--procedure",
        default="current_ratio",
        help=PROCEDURES,
    )
    _hold(demo)
    _monte_carlo(demo)
    _causes(demo)
    _transcript(demo)

    new = _command(
        commands,
        "new",
        "write a device file and a bench file to start from",
        dispatch.new,
        ["ratioproof new shelf-7", "ratioproof new hand --by-hand", "ratioproof new mains --power"],
    )
    bench = new.add_mutually_exclusive_group()
    bench.add_argument(
        "--power",
        action="store_true",
        help="a bench that reads power and phase, the meter's secondary and a check standard too",
    )
    bench.add_argument(
        "--by-hand",
        action="store_true",
        help="a bench without any interface: loads plugged in, displays read, a switch turned by you",
    )
    new.add_argument("folder", type=Path, metavar="DIR", help="folder to write device.toml and bench.toml into")

    on_paper = _command(
        commands,
        "design",
        "check a device file on paper, before anything is wound or powered",
        dispatch.design,
        ["ratioproof design device.toml", 'ratioproof design device.toml --smallest "5 mA"'],
        status=DESIGN_STATUS,
    )
    on_paper.add_argument("device", type=Path, metavar="DEVICE", help="device file")
    on_paper.add_argument("--smallest", metavar="CURRENT", help="turns wanted for reading so small a current")
    on_paper.add_argument("--json", action="store_true", help="print the sheet as JSON, in SI units")

    rehearse = _command(
        commands,
        "rehearse",
        "run on a simulated twin in no time: limits, uncertainty, duration",
        dispatch.rehearse,
        [
            "ratioproof rehearse device.toml bench.toml",
            "ratioproof rehearse device.toml bench.toml --procedure turns_check",
        ],
    )
    _files(rehearse)
    _choices(rehearse)

    run = _command(
        commands,
        "run",
        "rehearse, run on the bench, evaluate and certify",
        dispatch.run,
        [
            'ratioproof run device.toml bench.toml --operator "A. Bench" --out runs/today',
            "ratioproof run device.toml bench.toml --procedure turns_check --override due:multimeter",
        ],
    )
    _files(run)
    _choices(run)
    run.add_argument(
        "--out",
        type=Path,
        default=Path("run"),
        metavar="DIR",
        help="folder for record, results and certificate (default: run)",
    )
    _monte_carlo(run)
    _attended(run)

    resume = _command(
        commands,
        "resume",
        "go on with an interrupted run from its record",
        dispatch.resume,
        ["ratioproof resume run/record.jsonl", "ratioproof resume run/record.jsonl --monte-carlo"],
    )
    resume.add_argument("record", type=Path, metavar="RECORD", help="the record of the interrupted run")
    _monte_carlo(resume)
    _attended(resume)

    certify = _command(
        commands,
        "certify",
        "evaluate a record again and write its certificate",
        dispatch.certify,
        [
            "ratioproof certify run/record.jsonl",
            "ratioproof certify run/record.jsonl --out copy",
            "ratioproof certify run/record.jsonl --out checked --monte-carlo",
            "ratioproof certify run/record.jsonl --causes my_causes.toml --out copy",
            "ratioproof certify run/record.jsonl --override contradiction",
            "ratioproof certify run/record.jsonl --procedure my_procedure.py --out copy",
        ],
    )
    certify.add_argument("record", type=Path, metavar="RECORD", help="the record of a complete run")
    _causes(certify, "causes of your own instead of those in the record; the certificate says so")
    certify.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        help="folder for results and certificate (default: beside the record)",
    )
    certify.add_argument(
        "--procedure",
        metavar="FILE",
        help="a procedure of your own that the run was made by, to compare its points with",
    )
    _monte_carlo(certify)
    certify.add_argument(
        "--override",
        action="append",
        default=[],
        choices=["contradiction"],
        help="certify in spite of readings that contradict each other; printed on the certificate",
    )

    replay = _command(
        commands,
        "replay",
        "run again from the transcripts of a run, without instruments or waiting",
        dispatch.replay,
        ["ratioproof replay transcript", "ratioproof replay transcript --out again"],
    )
    replay.add_argument("folder", type=Path, metavar="DIR", help="folder that --transcript wrote")
    replay.add_argument(
        "--out",
        type=Path,
        metavar="DIR",
        help="folder for record, results and certificate (default: none are kept)",
    )

    listing = _command(
        commands,
        "instruments",
        "list and identify what can be reached, and compare it with a bench file",
        dispatch.instruments,
        ["ratioproof instruments", "ratioproof instruments bench.toml"],
    )
    listing.add_argument(
        "bench", type=Path, nargs="?", metavar="BENCH", help="bench file whose instruments must answer"
    )
    _transcript(listing)

    try_one = _command(
        commands,
        "try",
        "walk through one instrument's profile and show every exchange",
        dispatch.try_one,
        ["ratioproof try source bench.toml", "ratioproof try source bench.toml --transcript kept"],
    )
    try_one.add_argument("name", metavar="NAME", help="the instrument's name in the bench file")
    try_one.add_argument("bench", type=Path, metavar="BENCH", help="bench file")
    _transcript(try_one)

    simulate = _command(
        commands,
        "simulate",
        "serve the simulated bench for another program to talk to",
        dispatch.simulate,
        [
            "ratioproof simulate bench.toml",
            "ratioproof simulate bench.toml --fault late-reply",
        ],
    )
    simulate.add_argument("bench", type=Path, metavar="BENCH", help="bench file whose addresses are served")
    simulate.add_argument(
        "--device",
        type=Path,
        metavar="DEVICE",
        help="device file (default: device.toml beside the bench file)",
    )
    simulate.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME",
        help="a fault instead of those in the bench file; may be repeated",
    )
    return whole


def _command(
    commands: Any, name: str, summary: str, action: Any, examples: Sequence[str], status: str = EXIT_STATUS
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog="\n".join(["examples:", *(f"  {e}" for e in examples), "", status]),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(command=action)
    return parser


def _files(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("device", type=Path, metavar="DEVICE", help="device file")
    parser.add_argument("bench", type=Path, metavar="BENCH", help="bench file")


def _choices(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--procedure",
        default="current_ratio",
        help=PROCEDURES,
    )
    _hold(parser)
    parser.add_argument(
        "--readings",
        type=_count,
        default=4,
        metavar="N",
        help="pairs of readings at every point (default: %(default)s)",
    )
    parser.add_argument(
        "--per-decade",
        type=_count,
        default=3,
        metavar="N",
        help="points in every decade of current (default: %(default)s)",
    )
    _causes(parser)


def _causes(parser: argparse.ArgumentParser, summary: str = "causes of your own beside the shipped ones") -> None:
    parser.add_argument("--causes", type=Path, metavar="FILE", help=summary)


def _hold(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--hold",
        type=_seconds,
        default=600.0,
        metavar="SECONDS",
        help="how long endurance holds a current and no_load waits, on every range (default: %(default)g)",
    )


def _attended(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--operator", default="", metavar="NAME", help="who runs it; printed on the certificate")
    parser.add_argument(
        "--override",
        action="append",
        default=[],
        metavar="WHAT",
        help="go on in spite of a problem: rehearsal, serial:INSTRUMENT, due:INSTRUMENT or replayed:INSTRUMENT; printed on the certificate",
    )
    parser.add_argument(
        "--cautions-read",
        action="store_true",
        help="confirm without being asked that the cautions have been read, and that the bench is guarded against contact, an "
        "emergency stop is within reach of a person who stays there, and the load's own limits and time-out are set",
    )
    _transcript(parser)


def _transcript(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--transcript",
        type=Path,
        metavar="DIR",
        help="keep every exchange with instruments and person in DIR, for `ratioproof replay`",
    )


def _monte_carlo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--monte-carlo",
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
            f"found {text!r}, expected a number of trials of at least {FEWEST_TRIALS}, or nothing (then the option stands last)"
        )
    return int(text)


def _seconds(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a number of seconds, as 600") from None


def _count(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a whole number") from None
