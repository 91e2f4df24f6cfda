"""Linearity as instrument makers state it: the largest deviation from a line, by the rule that places the line.

IEC 61298-2 and ISA-51.1 (definitions of independent, zero-based and terminal-based linearity; values from memory):
each is the largest deviation of the characteristic, averaged over upscale and downscale readings.
The functions of a line take `x`, `y` of shape (n,) in rising x and give the deviation in the unit of `y`.
"""

from collections.abc import Sequence
from statistics import fmean

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.ratio.point_errors import PointValues
from harness.results import Linearity


def independent(x: Array, y: Array) -> float:
    """Deviation from the line placed so as to make the largest deviation smallest.

    For a given slope the best line leaves half the spread of y - slope x on either side. That spread is convex and
    piecewise linear in the slope, with corners where two points exchange places, so its least value is at the slope
    through some pair of points.
    """
    first, second = np.triu_indices(len(x), 1)
    slopes = (y[second] - y[first]) / (x[second] - x[first])
    residuals = y[None, :] - slopes[:, None] * x[None, :]
    return float(np.min(np.ptp(residuals, axis=1)) / 2)


def zero_based(x: Array, y: Array) -> float:
    """Least largest deviation from a line through the first point: two points then deviate equally to opposite sides, which fixes the slope."""
    dx, dy = x[1:] - x[0], y[1:] - y[0]
    slopes = ((dy[:, None] + dy[None, :]) / (dx[:, None] + dx[None, :])).ravel()
    return float(np.min(np.max(np.abs(dy[None, :] - slopes[:, None] * dx[None, :]), axis=1)))


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
