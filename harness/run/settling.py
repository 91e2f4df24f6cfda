"""Measured settling: the current has settled when the reference says so, not when a time has passed."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from harness.core.clock import Clock

WINDOW = 3
TOLERANCE = 0.002
LONGEST = 20.0


@dataclass(frozen=True)
class Settled:
    """Number of readings, seconds taken, start of the settled window, and its mean (reference's unit)."""

    readings: int
    duration: float
    since: float
    mean: float


def settle(
    read: Callable[[], float],
    clock: Clock,
    *,
    floor: float,
    between: Callable[[], None],
) -> Settled | None:
    """Read until `WINDOW` readings in a row differ by no more than `TOLERANCE` of their mean plus `floor`.

    A slope shows as a difference between the first and the last of a window, noise as a difference anywhere in it.
    `between` is called before each reading. None when that takes more than `LONGEST` seconds.
    """
    started = clock.now()
    window: deque[tuple[float, float]] = deque(maxlen=WINDOW)
    count = 0
    while clock.now() - started < LONGEST:
        between()
        began = clock.now()
        window.append((began, read()))
        count += 1
        values = [value for _, value in window]
        mean = sum(values) / len(values)
        if len(window) == WINDOW and max(values) - min(values) <= TOLERANCE * abs(mean) + floor:
            return Settled(count, clock.now() - started, window[0][0], mean)
    return None
