"""Everything printed passes here: a stream that closed or an encoding without a character never ends a command.

What a run measures, records and certifies does not depend on whether anybody can still read along. Texts from files and
paths are printed as they are: nothing in them is taken for markup.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import re
import shlex
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TextIO, cast

if TYPE_CHECKING:
    from rich.console import Console

PLAIN = {
    "─": "-",
    "±": "+/-",
    "µ": "u",
    "μ": "u",
    "Ω": "ohm",
    "°": "deg ",
    "²": "^2",
    "·": "*",
    "×": "x",
    "…": "...",
    "–": "-",
    "—": "-",
    "≤": "<=",
    "≥": ">=",
}
"""Replacements for characters that the terminal's encoding does not have; others are written as escapes."""

_HANDLER = "ratioproof-plain"

STEP = re.compile(r" *\d+\. ")
"""Pattern of the beginning of a numbered step."""

COLUMN = re.compile(r"(?<=\S) {2,}(?=\S)")
"""Blanks between two columns of one line."""

TOGETHER = re.compile(r"(?<=[\d)]) (?=(?:%|[kmuµn]?(?:A|V|VA|W|Wh|Hz|s|ohm|Ω)|min|h)(?!\w))| (?=[±:] )|(?<= [±:]) ")
"""Blanks within a quantity: before its unit, and around ± and the colon of odds."""

COMMAND = re.compile(r"ratioproof [a-z]+ \S.*")
"""A command at the end of a line, to be copied."""

LEAST_WIDTH = 20
"""Columns; a narrower terminal breaks lines itself."""

CURSOR_MOVES = dict.fromkeys(map(ord, "\a\b\v\f\r"))
"""Control characters that a terminal obeys in the middle of a line; none of them is printed."""

_KEPT = "\0"
"""Placeholder for a blank at which a line is not broken."""


class LineOutput(Protocol):
    """Where lines are told: rich's console, or standard output without it."""

    @property
    def is_terminal(self) -> bool: ...

    @property
    def width(self) -> int: ...

    def print(self, text: str, /, *, highlight: bool, markup: bool, soft_wrap: bool) -> None:
        """Print `text` as it is, in as many columns as it has."""
        ...


class _StandardOutput:
    """Lines on standard output, for commands that show neither tables nor live displays: rich takes time to load."""

    @property
    def is_terminal(self) -> bool:
        return sys.stdout is not None and sys.stdout.isatty()

    @property
    def width(self) -> int:
        return shutil.get_terminal_size().columns - (sys.platform == "win32")

    def print(self, text: str, /, **_: bool) -> None:
        print(text.translate(CURSOR_MOVES), flush=True)


STANDARD_OUTPUT = _StandardOutput()


def console() -> Console:
    """The console for tables and live displays."""
    from rich.console import Console

    return Console(markup=False, emoji=False, highlight=False)


def as_typed(path: Path) -> str:
    """`path` as it is typed at a command line of this system, blanks and all."""
    if sys.platform != "win32":
        return shlex.quote(str(path))
    from subprocess import list2cmdline

    return list2cmdline([str(path)])


def command_for(command: str, record_file: Path, trials: int = 0, procedure: str = "") -> str:
    """`command` on `record_file` as it is typed, with the options that were given; `procedure` only where it is a file."""
    options = f" --procedure {as_typed(Path(procedure))}" if procedure.endswith(".py") else ""
    return f"ratioproof {command} {as_typed(record_file)}{options}{f' --monte-carlo {trials}' if trials else ''}"


def tell(console: LineOutput, lines: Iterable[str]) -> None:
    """Print `lines`, on a terminal broken between words and indented as they begin."""
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        told = wrapped(line, indent, console.width) if console.is_terminal else line
        console.print(told, highlight=False, markup=False, soft_wrap=True)


def wrapped(text: str, indent: str = "  ", width: int | None = None) -> str:
    """`text` broken between words for `width` columns (the terminal's); a blank at its end stays.

    What follows of a line stands below the text of a numbered step or the last column that leaves a third of the width, or at `indent`.
    """
    columns = max(LEAST_WIDTH, shutil.get_terminal_size().columns - 2 if width is None else width)

    def broken(line: str) -> str:
        said = line.rstrip()
        step = STEP.match(line)
        begins = [step.end()] if step else [c.end() for c in COLUMN.finditer(said) if c.end() <= columns * 2 // 3]
        below = " " * begins[-1] if begins else indent
        # A path or a command stays whole, to be copied.
        kept = COMMAND.sub(lambda command: command[0].replace(" ", _KEPT), TOGETHER.sub(_KEPT, said))
        filled = textwrap.fill(kept, columns, subsequent_indent=below, break_on_hyphens=False, break_long_words=False)
        return filled.replace(_KEPT, " ") + line[len(said) :]

    return "\n".join(map(broken, text.split("\n")))


def complain(message: str) -> None:
    """Print an error on standard error: one line, broken between words where a person at a terminal reads it."""
    line = f"ratioproof: {message}"
    at_terminal = sys.stderr is not None and sys.stderr.isatty()
    print(wrapped(line) if at_terminal else line, file=sys.stderr)


def lost() -> bool:
    """Whether standard output is gone, so that nobody sees what is asked."""
    return isinstance(sys.stdout, _Lasting) and sys.stdout.failure is not None


@contextlib.contextmanager
def lasting_output() -> Iterator[None]:
    """Let standard output and error last to the end of a command, whatever becomes of them."""
    codecs.register_error(_HANDLER, _plain)
    before = sys.stdout, sys.stderr
    for stream in before:
        # Not every stand-in for a stream can change its way of encoding; none of those that cannot has one.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=_HANDLER)
    # A program without a terminal (pythonw) has no streams at all.
    sys.stdout, sys.stderr = (cast(TextIO, _Lasting(s)) if s is not None else s for s in before)
    try:
        yield
    finally:
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                stream.flush()
        sys.stdout, sys.stderr = before


def trouble() -> str:
    """The failure that lost printed text, unless a reader had seen enough; empty when none did."""
    failure = sys.stdout.failure if isinstance(sys.stdout, _Lasting) else None
    if failure is None or isinstance(failure, BrokenPipeError):
        return ""
    return f"standard output: {failure.strerror if isinstance(failure, OSError) else failure}"


class _Lasting:
    """A text stream whose first failure is kept, and after which what is written goes nowhere."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.failure: OSError | ValueError | None = None

    def write(self, text: str) -> int:
        """Write as far as possible."""
        if self.failure is None:
            try:
                return self._stream.write(text)
            except (OSError, ValueError) as failure:
                self._give_up(failure)
        return len(text)

    def flush(self) -> None:
        """Flush as far as possible."""
        if self.failure is None:
            try:
                self._stream.flush()
            except (OSError, ValueError) as failure:
                self._give_up(failure)

    def _give_up(self, failure: OSError | ValueError) -> None:
        """Discard what is buffered, and what Python flushes at its own end."""
        self.failure = failure
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def _plain(failure: UnicodeError) -> tuple[str, int]:
    if not isinstance(failure, UnicodeEncodeError):
        raise failure
    lacking = failure.object[failure.start : failure.end]
    return "".join(PLAIN.get(c, c.encode("ascii", "backslashreplace").decode()) for c in lacking), failure.end
