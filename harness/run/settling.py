"""Measured settling: the current has settled when the reference says so, not when a time has passed."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from harness.core.clock import Clock

WINDOW = 3
"""Readings in a row that must agree; two are enough that began `SECONDS_OF_SLOW_READING` or more after one another."""
SECONDS_OF_SLOW_READING = 0.4
"""Seconds: over this time, or longer, a slope must not show."""
TOLERANCE = 0.002
SECONDS_TO_SETTLE = 20.0


@dataclass(frozen=True)
class Settled:
    """Number of readings, seconds taken, start of the settled window, and its mean (reference's unit)."""

    readings: int
    duration: float
    since: float
    mean: float


def needed(began: Sequence[float]) -> int:
    """How many readings, of which the last began at these times, must agree: two slow ones, or `WINDOW`."""
    return 2 if len(began) > 1 and began[-1] - began[-2] >= SECONDS_OF_SLOW_READING else WINDOW


def settle(
    read: Callable[[], float],
    clock: Clock,
    *,
    floor: float,
    between: Callable[[], None],
    enough: Callable[[float], bool] = lambda _: False,
) -> Settled | None:
    """Read until `WINDOW` readings in a row, or two slow ones, differ by no more than `TOLERANCE` of their mean plus `floor`.

    A slope shows as a difference between the first and the last of a window, noise as a difference anywhere in it. `between` is called
    before each reading; one that is `enough` ends it, settled or not. None when that takes more than `SECONDS_TO_SETTLE`.
    """
    started = clock.now()
    read_so_far: deque[tuple[float, float]] = deque(maxlen=WINDOW)
    count = 0
    while clock.now() - started < SECONDS_TO_SETTLE:
        between()
        began = clock.now()
        value = read()
        count += 1
        if enough(value):
            return Settled(count, clock.now() - started, began, value)
        read_so_far.append((began, value))
        row = needed([time for time, _ in read_so_far])
        window = list(read_so_far)[-row:]
        values = [value for _, value in window]
        mean = sum(values) / len(values)
        if len(window) == row and max(values) - min(values) <= TOLERANCE * abs(mean) + floor:
            return Settled(count, clock.now() - started, window[0][0], mean)
    return None
