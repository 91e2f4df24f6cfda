"""Questions at the terminal: input typed before a question does not answer it, and a pipe is not a person at the bench."""

import io
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

NO_TERMINAL = "no answer is possible: the question protects a person, and standard input is no terminal"


LOOK_EVERY = 0.05
"""Seconds between two checks for a key where nothing can end the wait for a line."""


_given_up: ContextVar[Callable[[], bool]] = ContextVar("given up", default=lambda: False)


@contextmanager
def given_up_when(trouble: Callable[[], bool]) -> Iterator[None]:
    """Make questions asked in the block raise EOFError once there is `trouble`; on Windows only, elsewhere a signal ends the wait."""
    before = _given_up.set(trouble)
    try:
        yield
    finally:
        _given_up.reset(before)


def at_terminal() -> bool:
    """Whether somebody can answer: standard input is a terminal, or something in this process replaces it."""
    if sys.stdin is None:
        return False
    descriptor = _descriptor()
    return descriptor is None or os.isatty(descriptor)


def ask(text: str) -> str:
    """Show `text` and return the line typed after that, or the next line of a pipe. Raises EOFError at the end of input."""
    descriptor = _descriptor()
    if descriptor is not None and os.isatty(descriptor):
        _discard(descriptor)
        return _typed(text)
    return input(text)


def ask_somebody(text: str) -> str:
    """As `ask`, for questions that guard a person or energise something: answers from a pipe do not count. Raises EOFError."""
    if not at_terminal():
        raise EOFError(NO_TERMINAL)
    return ask(text)


def _descriptor() -> int | None:
    """The descriptor of standard input; None where something in this process replaces it."""
    try:
        return sys.stdin.fileno()
    except (OSError, ValueError):
        return None


if sys.platform == "win32":
    import msvcrt

    def _discard(descriptor: int) -> None:
        while msvcrt.kbhit():
            msvcrt.getwch()

    def _typed(text: str) -> str:
        """Read a line key by key: a wait for a whole line could not be ended by a run whose guard has died, for example."""
        if isinstance(getattr(getattr(sys.stdin, "buffer", None), "raw", None), io.FileIO):
            # Windows takes its null device for a terminal; a real one is no file to Python.
            return input(text)
        print(text, end="", flush=True)
        line = ""
        while True:
            while not msvcrt.kbhit():
                if _given_up.get()():
                    raise EOFError
                time.sleep(LOOK_EVERY)
            key = msvcrt.getwch()
            if key == "\r":
                print(flush=True)
                return line
            if key == "\x1a":
                raise EOFError
            if key in ("\0", "\xe0") and msvcrt.kbhit():
                # An arrow or a function key sends two codes.
                msvcrt.getwch()
            elif key == "\b" and line:
                line = line[:-1]
                print("\b \b", end="", flush=True)
            elif key.isprintable():
                line += key
                print(key, end="", flush=True)

else:
    import termios

    _typed = input

    def _discard(descriptor: int) -> None:
        # A terminal hands over one line at a time, so nothing stands in Python's own buffers.
        try:
            termios.tcflush(descriptor, termios.TCIFLUSH)
        except termios.error as failure:
            raise EOFError(str(failure)) from failure
