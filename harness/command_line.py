"""The command line: arguments in, exit status out, every error rendered once and here.

Exit status: 0 verdict pass or conditional pass, 1 verdict fail or conditional fail, 2 something the user wrote or asked for is wrong, 3 aborted and safe,
4 NOT SAFE. Slow imports happen in the command that needs them, so that help is quick.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
import traceback
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from harness.errors import AbortedSafe, NotSafe, Stopped, UserError

if TYPE_CHECKING:
    from rich.console import Console

PROCEDURES = (
    "current_ratio, turns_check, power_and_phase, smallest_current, no_load, endurance, bench_check or a FILE.py "
    "(default: %(default)s)"
)

EXIT_STATUS = """exit status:
  0  verdict pass or conditional pass    2  something you wrote or asked for is wrong
  1  verdict fail or conditional fail    3  aborted, and everything is off and confirmed
                                         4  NOT SAFE: an instrument did not confirm"""


DESIGN_STATUS = """exit status:
  0  nothing in the way      2  something you wrote or asked for is wrong
  1  something in the way    3  aborted
                             (4, NOT SAFE, cannot be: nothing is energised)"""


DEFAULT_TRIALS = 1_000_000
"""JCGM 101:2008, 7.2.3: often delivers an interval for 95 % correct to one or two significant digits."""

FEWEST_TRIALS = 200_000
"""JCGM 101:2008, 7.2.2: at least 10^4 times 1 / (1 - p); at p = 95 % that many."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    parsed = _parser().parse_args(arguments)
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, _first_interrupt)
    try:
        from harness.startup import check_packages

        check_packages()
        status: int = parsed.command(parsed)
        return status
    except UserError as error:
        for problem in error.problems:
            print(f"ratioproof: {problem}", file=sys.stderr)
        return 2
    except AbortedSafe as error:
        print(f"ratioproof: aborted: {error}", file=sys.stderr)
        return 3
    except Stopped as error:
        print(f"ratioproof: aborted: {error}; nothing was energised", file=sys.stderr)
        return 3
    except NotSafe as error:
        _cry(str(error))
        return 4
    except KeyboardInterrupt:
        print("ratioproof: aborted before anything was energised", file=sys.stderr)
        return 3
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 2
    except OSError as error:
        print(f"ratioproof: {error.filename or 'the system'}: {error.strerror or error}", file=sys.stderr)
        return 2
    except Exception as error:  # noqa: BLE001  a run has passed through its safing by now; what is left is to say so
        place = traceback.extract_tb(error.__traceback__)[-1]
        print(
            f"ratioproof: this is a defect of the program: {type(error).__name__}: {error} ({Path(place.filename).name}, line {place.lineno})",
            file=sys.stderr,
        )
        return 3


def _first_interrupt(number: int, frame: FrameType | None) -> None:
    """The first Ctrl-C ends a command; further ones must not turn its orderly end into a death by signal.

    Not a KeyboardInterrupt: where one passes through an `exec` of text (dataclasses use it while modules are
    imported), CPython 3.11 ends the process by SIGINT even though the exception was caught.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    raise Stopped("stopped by SIGINT")


def _cry(message: str) -> None:
    """A message nobody can miss."""
    rule = "!" * 78
    lines = [rule, "!!  NOT SAFE".ljust(76) + "!!", rule, *message.splitlines(), rule]
    text = "\n".join(lines)
    if sys.stderr.isatty():
        text = f"\a\x1b[1;97;41m{text}\x1b[0m"
    print(text, file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="ratioproof",
        description="Prove what every range of a modified current-transformer meter reads.",
        epilog=EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    demo = _command(
        commands,
        "demo",
        "the whole job on a simulated bench",
        _demo,
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
        _new,
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
        _design,
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
        _rehearse,
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
        _run,
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
        _resume,
        ["ratioproof resume run/record.jsonl"],
    )
    resume.add_argument("record", type=Path, metavar="RECORD", help="the record of the interrupted run")
    _attended(resume)

    certify = _command(
        commands,
        "certify",
        "evaluate a record again and write its certificate",
        _certify,
        [
            "ratioproof certify run/record.jsonl",
            "ratioproof certify run/record.jsonl --out copy",
            "ratioproof certify run/record.jsonl --out checked --monte-carlo",
            "ratioproof certify run/record.jsonl --causes my_causes.toml --out copy",
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
    _monte_carlo(certify)

    replay = _command(
        commands,
        "replay",
        "run again from the transcripts of a run, without instruments or waiting",
        _replay,
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
        _instruments,
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
        _try,
        ["ratioproof try source bench.toml", "ratioproof try source bench.toml --transcript kept"],
    )
    try_one.add_argument("name", metavar="NAME", help="the instrument's name in the bench file")
    try_one.add_argument("bench", type=Path, metavar="BENCH", help="bench file")
    _transcript(try_one)

    simulate = _command(
        commands,
        "simulate",
        "serve the simulated bench for another program to talk to",
        _simulate,
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
    return parser


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
        type=int,
        default=4,
        metavar="N",
        help="pairs of readings at every point (default: %(default)s)",
    )
    parser.add_argument(
        "--per-decade",
        type=int,
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
        type=float,
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
    parser.add_argument("--cautions-read", action="store_true", help="confirm the cautions without being asked")
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


def _console() -> Console:
    from rich.console import Console

    return Console()


def _demo(arguments: argparse.Namespace) -> int:
    if arguments.list_faults:
        from simulated.faults import CATALOGUE

        for fault in CATALOGUE:
            print(f"{fault.name:<36} {fault.summary}")
        return 0
    from harness.commands.demo import demo

    return demo(
        arguments.fault,
        arguments.out,
        arguments.procedure,
        _console(),
        arguments.transcript,
        hold=arguments.hold,
        trials=arguments.monte_carlo,
        causes=arguments.causes,
    )


def _new(arguments: argparse.Namespace) -> int:
    from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, new

    kind = BENCH_BY_HAND if arguments.by_hand else BENCH_POWER if arguments.power else BENCH
    written = new(arguments.folder, kind)
    for file in written:
        print(file)
    print(f"try them:  ratioproof rehearse {written[0]} {written[1]}")
    return 0


def _design(arguments: argparse.Namespace) -> int:
    from harness.commands.design import design

    return design(arguments.device, arguments.smallest, arguments.json, _console())


def _options(arguments: argparse.Namespace) -> Any:
    from harness.steps import Options

    return Options(readings=arguments.readings, per_decade=arguments.per_decade, hold=arguments.hold)


def _rehearse(arguments: argparse.Namespace) -> int:
    from harness.commands.run import rehearse_only

    return rehearse_only(
        arguments.device, arguments.bench, arguments.procedure, _options(arguments), _console(), arguments.causes
    )


def _run(arguments: argparse.Namespace) -> int:
    from harness.commands.run import run

    return run(
        arguments.device,
        arguments.bench,
        arguments.procedure,
        _options(arguments),
        out=arguments.out,
        operator=arguments.operator,
        overrides=arguments.override,
        cautions_read=arguments.cautions_read,
        console=_console(),
        transcript=arguments.transcript,
        trials=arguments.monte_carlo,
        causes=arguments.causes,
    )


def _resume(arguments: argparse.Namespace) -> int:
    from harness.commands.run import resume

    return resume(
        arguments.record,
        operator=arguments.operator,
        overrides=arguments.override,
        cautions_read=arguments.cautions_read,
        console=_console(),
        transcript=arguments.transcript,
    )


def _certify(arguments: argparse.Namespace) -> int:
    from harness.commands.certify import certify

    return certify(arguments.record, arguments.out, _console(), trials=arguments.monte_carlo, causes=arguments.causes)


def _replay(arguments: argparse.Namespace) -> int:
    from harness.commands.replay import replay

    return replay(arguments.folder, arguments.out, _console())


def _instruments(arguments: argparse.Namespace) -> int:
    from harness.commands.instruments import instruments

    return instruments(arguments.bench, _console(), arguments.transcript)


def _try(arguments: argparse.Namespace) -> int:
    from harness.commands.try_one import try_one

    return try_one(arguments.name, arguments.bench, _console(), arguments.transcript)


def _simulate(arguments: argparse.Namespace) -> int:
    from harness.commands.simulate import simulate

    device = arguments.device if arguments.device is not None else arguments.bench.parent / "device.toml"
    return simulate(device, arguments.bench, arguments.fault)


if __name__ == "__main__":
    sys.exit(main())
