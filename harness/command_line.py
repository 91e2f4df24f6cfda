"""The command line: arguments in, exit status out, every error rendered once and here.

Exit status: 0 verdict pass or conditional pass, 1 verdict fail or conditional fail, 2 something the user wrote or asked for is wrong, 3 aborted and safe,
4 NOT SAFE, 5 a defect of the program or a missing part of the installation. Slow imports happen in the command that needs them, so that help is quick.
"""

import argparse
import atexit
import datetime  # noqa: F401  loaded before a Ctrl-C can come: modules of other languages that load it themselves lose a stop there
import gc
import os
import shutil
import signal
import sys
import threading
import traceback
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

from harness.commands import (
    card,
    certify,
    demo,
    design,
    instruments,
    measure,
    new,
    reading,
    rehearse,
    replay,
    resume,
    run,
    simulate,
    try_one,
)
from harness.commands.arguments import EXIT_STATUS, OneLine
from harness.core.errors import AbortedSafe, NotSafe, Stopped, UserError
from harness.core.output import complain, lasting_output, trouble, wrapped
from harness.core.stop import put_off

WRONG, ABORTED, NOT_SAFE, DEFECT = 2, 3, 4, 5

COMMANDS = (
    demo,
    new,
    design,
    rehearse,
    run,
    resume,
    certify,
    reading,
    card,
    measure,
    replay,
    instruments,
    try_one,
    simulate,
)
"""Commands in the order of the help."""

UNTIL_SEARCHED = 200_000
"""Objects made before Python searches the youngest of them for cycles; its own 700 had it search a command's modules over and over."""

_interrupted = threading.Event()
"""Set when a Ctrl-C has ended the command outside any run."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    # Looked at when numpy is loaded. The matrices are small, so that further threads only wait for each other, and a sum should
    # not depend on how many processors there are.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(UNTIL_SEARCHED)
    # A process that ends gives all its memory back; without this it is searched for cycles first.
    atexit.register(gc.freeze)
    with lasting_output():
        status = _run(arguments)
        # Looked for at the end, since what a full disk refuses may come out of a buffer only now.
        sys.stdout.flush()
        if told := trouble():
            complain(f"{told}; not everything was printed")
        return status or (WRONG if told else 0)


def parser() -> argparse.ArgumentParser:
    """The parser of all commands and options; `command` is the action that takes the parsed arguments."""
    whole = OneLine(
        prog="ratioproof",
        description=wrapped(
            "Verify every current range of a modified current-transformer meter against a reference.", ""
        ),
        epilog=EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    whole.add_argument("--version", action=_Version, nargs=0, help="print name and version, and end")
    commands = whole.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in COMMANDS:
        module.add_parser(commands)
    return whole


class _Version(argparse.Action):
    """Looks the version up only when it is asked for: that takes time."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from harness.core.version import software

        print(software())
        parser.exit()


def _run(arguments: Sequence[str] | None) -> int:
    parsed = parser().parse_args(arguments)
    _interrupted.clear()
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, _first_interrupt)
    try:
        from harness.commands.package_check import check_packages

        check_packages()
        status: int = parsed.command(parsed)
        return status
    except UserError as error:
        for problem in error.problems:
            complain(problem)
        return WRONG
    except AbortedSafe as error:
        complain(f"aborted: {error}")
        return ABORTED
    except Stopped as error:
        complain(f"aborted: {error}; nothing was energised")
        return ABORTED
    except NotSafe as error:
        _cry(str(error))
        return NOT_SAFE
    except KeyboardInterrupt:
        complain("aborted before anything was energised")
        return ABORTED
    except BaseException as error:  # noqa: BLE001  a module of another language turns a stop while it loads into an error of its own
        # One that came during a run was the run's own, which has driven current and ended in its own words.
        if not _interrupted.is_set():
            return _failed(error)
        complain("aborted: stopped by SIGINT; nothing was energised")
        return ABORTED


def _failed(error: BaseException) -> int:
    """Report an error no command ends with on purpose; the exit status. Raises what is no error at all."""
    if isinstance(error, OSError):
        complain(f"{error.filename or 'the system'}: {error.strerror or error}")
        return WRONG
    if not isinstance(error, Exception):
        raise error
    # A run has passed through its safing by now; what is left is to say so.
    place = traceback.extract_tb(error.__traceback__)[-1]
    what = (
        "a part of the installation is missing or damaged"
        if isinstance(error, ImportError)
        else "this is a defect of the program"
    )
    said = " ".join(f"{type(error).__name__}: {error}".split())[:500]
    complain(f"{what}: {said} ({Path(place.filename).name}, line {place.lineno})")
    return DEFECT


def _first_interrupt(number: int, frame: FrameType | None) -> None:
    """The first Ctrl-C ends a command; further ones must not turn its orderly end into a death by signal.

    Not a KeyboardInterrupt: where one passes through an `exec` of text (dataclasses use it while modules are
    imported), CPython 3.11 ends the process by SIGINT even though the exception was caught.
    """
    if put_off(number, frame):
        return
    _interrupted.set()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    raise Stopped("stopped by SIGINT")


def _cry(message: str) -> None:
    """A message nobody can miss."""
    width, at_terminal = min(78, shutil.get_terminal_size().columns), sys.stderr.isatty()
    told = wrapped(message, "", width) if at_terminal else message
    rule = "!" * width
    text = "\n".join([rule, "!!  NOT SAFE".ljust(width - 2) + "!!", rule, told, rule])
    if at_terminal:
        text = f"\a\x1b[1;97;41m{text}\x1b[0m"
    print(text, file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
