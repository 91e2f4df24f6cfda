"""A quantity known at some currents and wanted between them: interpolation, and what that may be wrong by.

Errors of transformers, clamps, shunts and multimeters change smoothly over decades of current, so the interpolation is
linear in the logarithm of the current. The uncertainty between two currents is the linear interpolation of theirs: two
calibrations of one laboratory are alike, and their mean is not better known than either.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Node:
    """A calibrated current (or reading): the error found there and its standard uncertainty, relative or in rad."""

    at: float
    error: float
    standard_uncertainty: float


@dataclass(frozen=True)
class Interpolated:
    """The error between two nodes.

    `shares`: of the deviations of the nodes, by their place in the sequence, how much goes into this error. `bow`: the bound
    of what a curve through the nodes may depart from the interpolation here, over `interval`, the nodes at its ends;
    `largest_bow` is that bound in the middle of the interval.
    """

    error: float
    shares: tuple[tuple[int, float], ...]
    interval: tuple[int, int]
    bow: float
    largest_bow: float


EDGE = 0.1
"""A current this little (relative) outside the nodes is taken for one at the node: no load draws exactly what it is asked for.
10 % is a twenty-fifth of a decade.
"""

SMOOTH_WITHIN = 10.01
"""Largest ratio of the currents of two nodes, a decade: further apart they say nothing of the curvature between them (a judgement)."""

NEAREST = 0.01
"""Nodes are at least this far apart (relative): nearer ones are one, and would only say how their two errors scatter."""

BETWEEN = 0.5
"""A monotonic curve between two nodes is nowhere further from its chord than half their difference in the middle."""


def covers(nodes: Sequence[Node], current: float) -> bool:
    """Whether `current` lies between the first and the last node, `EDGE` included."""
    return bool(nodes) and nodes[0].at * (1 - EDGE) <= current <= nodes[-1].at * (1 + EDGE)


def interpolate(nodes: Sequence[Node], current: float) -> Interpolated:
    """The error at `current` from `nodes` in rising currents. Raises ValueError where they do not cover it.

    The bound of the interpolation is that of a curve of constant curvature, 4 w (1 - w) of its value in the middle, with w
    the place between the nodes in the logarithm of the current (the error term of linear interpolation is proportional to
    (x - a)(b - x)). In the middle it is half the difference of the nodes, or what the second differences with the neighbouring
    nodes say (|f[a, b, c]| h^2 / 4) where that is more, as it is at a turning point. Over more than a decade the curve is only
    taken to be monotonic: it may then be anywhere between the two errors.
    """
    if not covers(nodes, current):
        raise ValueError(f"{current:g} is outside what was calibrated")
    inside = min(max(current, nodes[0].at), nodes[-1].at)
    if len(nodes) == 1:
        return Interpolated(nodes[0].error, ((0, 1.0),), (0, 0), 0.0, 0.0)
    low = max(i for i, node in enumerate(nodes[:-1]) if node.at <= inside)
    a, b = nodes[low], nodes[low + 1]
    w = math.log(inside / a.at) / math.log(b.at / a.at)
    parts = ((1 - w) * a.standard_uncertainty, w * b.standard_uncertainty)
    widened = sum(parts) / math.hypot(*parts) if any(parts) else 1.0
    apart, smooth = abs(b.error - a.error), b.at <= SMOOTH_WITHIN * a.at
    largest = max(BETWEEN * apart if smooth else apart, _curvature(nodes, low))
    return Interpolated(
        error=(1 - w) * a.error + w * b.error,
        shares=((low, (1 - w) * widened), (low + 1, w * widened)),
        interval=(low, low + 1),
        bow=(4 * w * (1 - w) if smooth else max(w, 1 - w)) * largest,
        largest_bow=largest,
    )


def _curvature(nodes: Sequence[Node], low: int) -> float:
    """The bow in the middle of the interval that begins at node `low`, as the neighbouring nodes say."""
    x = [math.log(node.at) for node in nodes]
    slopes = [
        (q.error - p.error) / (j - i)
        for (p, q), (i, j) in zip(itertools.pairwise(nodes), itertools.pairwise(x), strict=True)
    ]
    seconds = [
        abs(slopes[i + 1] - slopes[i]) / (x[i + 2] - x[i]) for i in (low - 1, low) if i >= 0 and i + 2 < len(nodes)
    ]
    return max(seconds, default=0.0) * (x[low + 1] - x[low]) ** 2 / 4


def check_rising(places: Sequence[tuple[float, float]], key: str, what: str) -> None:
    """Raise ValueError unless `places`, pairs of frequency and current, rise in current at every frequency."""
    for frequency in {f for f, _ in places}:
        values = [v for f, v in places if f == frequency]
        if any(b < a * (1 + NEAREST) for a, b in itertools.pairwise(values)):
            raise ValueError(
                f"found {key} at {what}s {values}, expected every {what} once, rising, at each frequency (nearer than {NEAREST:.0%} is the same)"
            )
