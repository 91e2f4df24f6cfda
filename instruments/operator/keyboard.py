"""Asking at the terminal: what was typed before a question is no answer to it, and a pipe is nobody at the bench."""

from __future__ import annotations

import os
import sys

NO_TERMINAL = "nobody can answer: the question guards a person, and standard input is no terminal"


def at_terminal() -> bool:
    """Whether somebody can answer: standard input is a terminal, or something in this process stands for it."""
    if sys.stdin is None:
        return False
    descriptor = _descriptor()
    return descriptor is None or os.isatty(descriptor)


def ask(text: str) -> str:
    """Show `text` and return the line typed after that; of a pipe its next line. Raises EOFError at the end of input."""
    descriptor = _descriptor()
    if descriptor is not None and os.isatty(descriptor):
        _discard(descriptor)
    return input(text)


def ask_somebody(text: str) -> str:
    """As `ask`, for what guards a person or energises something: a pipe's answer counts for nothing. Raises EOFError."""
    if not at_terminal():
        raise EOFError(NO_TERMINAL)
    return ask(text)


def _descriptor() -> int | None:
    """Of standard input; None where something in this process stands for it."""
    try:
        return sys.stdin.fileno()
    except (OSError, ValueError):
        return None


if sys.platform == "win32":
    import msvcrt

    def _discard(descriptor: int) -> None:
        while msvcrt.kbhit():
            msvcrt.getwch()

else:
    import termios

    def _discard(descriptor: int) -> None:
        # A terminal hands over one line at a time, so nothing stands in Python's own buffers.
        try:
            termios.tcflush(descriptor, termios.TCIFLUSH)
        except termios.error as failure:
            raise EOFError(str(failure)) from failure
