"""Linearity as instrument makers state it: the largest deviation from a line, by the rule that places the line.

IEC 61298-2 and ISA-51.1 (definitions of independent, zero-based and terminal-based linearity; values from memory):
each is the largest deviation of the characteristic, averaged over upscale and downscale readings.
The functions of a line take `x`, `y` of shape (n,) in rising x and give the deviation in the unit of `y`.
"""

import math
from collections.abc import Callable, Sequence
from statistics import fmean

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.ratio.point_errors import PointValues
from harness.results import Linearity


def independent(x: Array, y: Array) -> float:
    """Deviation from the line placed so as to make the largest deviation smallest.

    For a given slope the best line leaves half the spread of y - slope x on either side. The spread falls with the slope as long as
    y - slope x rises everywhere, and rises where it falls everywhere.
    """

    def spread(slope: float) -> tuple[float, float]:
        left = y - slope * x
        high, low = np.argmax(left), np.argmin(left)
        return float(y[high] - y[low]), float(x[low] - x[high])

    slopes = np.diff(y) / np.diff(x)
    return _least(spread, float(slopes.min()), float(slopes.max())) / 2


def zero_based(x: Array, y: Array) -> float:
    """Least largest deviation from a line through the first point."""
    dx, dy = x[1:] - x[0], y[1:] - y[0]

    def largest(slope: float) -> tuple[float, float]:
        left = dy - slope * dx
        at = np.argmax(np.abs(left))
        side = math.copysign(1.0, left[at])
        return side * float(dy[at]), -side * float(dx[at])

    slopes = dy / dx
    return _least(largest, float(slopes.min()), float(slopes.max()))


def _least(piece: Callable[[float], tuple[float, float]], low: float, high: float) -> float:
    """Least value, between the slopes `low` and `high`, of a deviation that is convex in the slope and made of straight pieces.

    `piece` gives the one at a slope: its value at slope zero, and its rise. Nowhere is the deviation below a piece of it, so the least is
    found where two of them meet that are on it there (Kelley 1960, "The cutting-plane method for solving
    convex programs"; value from memory).
    """
    falling, rising = piece(low), piece(high)
    while low < high and falling[1] < rising[1]:
        slope = min(max((rising[0] - falling[0]) / (falling[1] - rising[1]), low), high)
        met = piece(slope)
        if met in (falling, rising) or slope in (low, high):
            return met[0] + met[1] * slope
        if met[1] < 0:
            low, falling = slope, met
        else:
            high, rising = slope, met
    return falling[0] + falling[1] * low


def terminal_based(x: Array, y: Array) -> float:
    """Deviation from the line through the first and the last point."""
    slope = (y[-1] - y[0]) / (x[-1] - x[0])
    return float(np.max(np.abs(y - y[0] - slope * (x - x[0]))))


def linearity(own: Sequence[PointValues]) -> Linearity | None:
    """Deviations on the average of upscale and downscale readings, as fractions of the span of indicated current."""
    at: dict[float, list[PointValues]] = {}
    for values in own:
        at.setdefault(values.observed.nominal_current, []).append(values)
    if len(at) < 3:
        return None
    nominals = sorted(at)
    x = np.array([fmean(float(v.reference.nominal_value) for v in at[n]) for n in nominals])
    y = np.array([fmean(float(v.indicated.nominal_value) for v in at[n]) for n in nominals])
    span = abs(y[-1] - y[0])
    if span == 0 or np.any(np.diff(x) <= 0):
        return None
    ways = [[_deviations(at[n], way) for way in ("up", "down")] for n in nominals]
    both = [abs(fmean(up) - fmean(down)) for up, down in ways if up and down]
    return Linearity(
        independent=float(independent(x, y) / span),
        zero_based=float(zero_based(x, y) / span),
        terminal_based=float(terminal_based(x, y) / span),
        hysteresis=float(max(both) / span) if both else None,
    )


def _deviations(values: Sequence[PointValues], direction: str) -> list[float]:
    """Indicated less reference current of the points taken in one direction, amperes."""
    own = (v for v in values if v.observed.direction == direction)
    return [float(v.indicated.nominal_value) - float(v.reference.nominal_value) for v in own]
