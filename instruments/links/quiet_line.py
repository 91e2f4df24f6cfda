"""Waiting until a serial line is quiet."""

import time
from collections.abc import Callable

MOST_QUIET_TIMES = 3
"""A line that is never quiet is given up after this many times the quiet time; the next exchange will then fail."""

_LOOK_EVERY = 0.005


def drain(discard: Callable[[], bool], quiet: float) -> None:
    """Call `discard` until it has discarded nothing for `quiet` seconds, at most `MOST_QUIET_TIMES` times that.

    An answer that missed the timeout may be as late again; on a serial line nothing distinguishes it from the next one.
    """
    end = time.monotonic() + MOST_QUIET_TIMES * quiet
    quiet_since = time.monotonic()
    while time.monotonic() < end and time.monotonic() - quiet_since < quiet:
        if discard():
            quiet_since = time.monotonic()
        time.sleep(_LOOK_EVERY)
