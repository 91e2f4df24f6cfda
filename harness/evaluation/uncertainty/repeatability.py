"""The scatter of the pairs of a point: on its own, pooled over a range, and of readings that follow one another.

Scatter is that of the residuals d_j = X_j - R I_j about the ratio of means R of a point, in amperes of indicated current,
so that what reference and device saw alike (the load's wander) is left out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.evaluation.uncertainty.autocorrelation import (
    CLOSEST,
    effective_number,
    following,
    freedom_of_scatter,
    more_than_rounding,
)
from harness.evaluation.uncertainty.gum_formulas import type_a
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.observations import ObservedPoint
from harness.results import Reason

SIGNIFICANCE = 0.05
"""Scatters that differ as much as equal ones do in fewer cases than this are not pooled."""

ROUNDING = 1e-12
"""Residuals below this part of the current are rounding of the arithmetic."""


@dataclass(frozen=True)
class Pooled:
    """A standard deviation shared by all points of a range, in amperes, or when `relative` as a fraction of the current."""

    standard_deviation: float
    degrees_of_freedom: int
    relative: bool


@dataclass(frozen=True)
class RangeScatter:
    """Common properties of a range's points: correlation of successive readings (0 for none), pooled scatter, remarks."""

    correlation: float = 0.0
    pooled: Pooled | None = None
    remarks: tuple[Reason, ...] = ()


def residuals(point: ObservedPoint, display_factor: float, path_factor: float) -> list[float]:
    """Residuals of each pair about the ratio of means, in amperes of indicated current; their sum is 0."""
    indicated = [p.displayed * display_factor for p in point.pairs]
    reference = [p.reference * path_factor for p in point.pairs]
    ratio = sum(indicated) / sum(reference)
    left = [x - ratio * i for x, i in zip(indicated, reference, strict=True)]
    size = ROUNDING * max(abs(x) for x in indicated)
    return left if max(abs(d) for d in left) > size else [0.0] * len(left)


def standard_uncertainty(deviation: float, count: int, correlation: float) -> float:
    """Standard uncertainty of the mean of `count` readings with experimental standard `deviation`.

    Readings that follow one another scatter less about their mean than they should, and their mean more than s / sqrt(n):
    u^2 = s^2 (n - 1) / (n (n_eff - 1)) (Zieba 2010, Metrol. Meas. Syst. 17, 3: unbiased s^2 over n_eff).
    """
    if correlation == 0 or count < 2:
        return deviation / math.sqrt(count)
    return deviation * math.sqrt((count - 1) / (count * (effective_number(count, correlation) - 1)))


def point_repeatability(
    point: ObservedPoint, display_factor: float, path_factor: float, scatter: RangeScatter
) -> tuple[float, float]:
    """Standard uncertainty of a point's mean in amperes of indicated current, and its degrees of freedom.

    One pair has no scatter of its own: unless it was pooled, only the resolutions count.
    """
    count = len(point.pairs)
    if scatter.pooled is not None:
        size = abs(_mean_indicated(point, display_factor)) if scatter.pooled.relative else 1.0
        deviation, freedom = scatter.pooled.standard_deviation * size, float(scatter.pooled.degrees_of_freedom)
        share = freedom_of_scatter(count, scatter.correlation) / (count - 1) if count > 1 else 1.0
        return standard_uncertainty(deviation, count, scatter.correlation), freedom * share
    if count < 2:
        return 0.0, math.inf
    deviation = type_a(residuals(point, display_factor, path_factor)).standard_deviation
    return standard_uncertainty(deviation, count, scatter.correlation), freedom_of_scatter(count, scatter.correlation)


def run_scatter(device: Device, bench: Bench, points: Sequence[ObservedPoint]) -> dict[str, RangeScatter]:
    """Scatter of the `points` of a run, all with current, by range, with one correlation; pooled where the bench asks and it is justified."""
    path = bench.reference_path.factor
    reference_steps = {accuracy.full_scale: accuracy.resolution * path for accuracy in bench.entry("reference").ranges}
    residuals_of: dict[str, list[list[float]]] = {}
    telling = []
    for rng in device.ranges:
        own = [p for p in points if p.range == rng.name]
        residuals_of[rng.name] = [residuals(p, rng.display_factor, path) for p in own]
        for point, left in zip(own, residuals_of[rng.name], strict=True):
            step = device.display.resolution * rng.display_factor + reference_steps.get(point.reference_scale, 0.0)
            if more_than_rounding(left, step):
                telling.append(left)
    correlation = following(telling)
    found = {}
    for rng in device.ranges:
        currents = [abs(_mean_indicated(p, rng.display_factor)) for p in points if p.range == rng.name]
        groups = residuals_of[rng.name]
        remarks = [_remark(rng.name, correlation, groups)] if correlation and groups else []
        pooled = None
        if bench.evaluation.pooled_repeatability:
            pooled, remark = _pooled(rng.name, groups, currents)
            remarks.append(remark)
        found[rng.name] = RangeScatter(correlation, pooled, tuple(remarks))
    return found


def _remark(name: str, correlation: float, groups: Sequence[Sequence[float]]) -> Reason:
    # The count of a typical point, for the remark alone.
    count = sorted(len(d) for d in groups)[len(groups) // 2]
    closest = correlation >= CLOSEST - 0.005
    return Reason.of(
        "autocorrelation",
        name,
        correlation=None if closest else correlation,
        at_least=CLOSEST if closest else None,
        pairs=count,
        independent=effective_number(count, correlation),
    )


def largest_variance_is_chance(variances: Sequence[float], freedoms: Sequence[int]) -> float:
    """Probability (an upper bound) that the largest of equal variances stands out as much as it does here.

    Cochran's test as ISO 5725-2 has it, in the form of an F-test of each variance against all others, times their number,
    which also holds for unequal degrees of freedom. It looks for what makes pooling dangerous, a point that scatters more
    than the others, and unlike tests on logarithms it bears a point whose readings are all the same.
    """
    from scipy.special import fdtrc

    squares = [v * f for v, f in zip(variances, freedoms, strict=True)]
    whole, freedom = math.fsum(squares), sum(freedoms)
    if whole == 0 or len(variances) < 2:
        return 1.0
    least = 1.0
    for square, own in zip(squares, freedoms, strict=True):
        others = (whole - square) / (freedom - own)
        ratio = square / own / others if others > 0 else math.inf
        least = min(least, float(fdtrc(own, freedom - own, ratio)))
    return min(1.0, least * len(variances))


def _pooled(name: str, groups: Sequence[Sequence[float]], currents: Sequence[float]) -> tuple[Pooled | None, Reason]:
    """The pooled scatter, absolute or relative whichever is more alike at all points, with a remark."""
    kept = [(g, c) for g, c in zip(groups, currents, strict=True) if len(g) > 1 and c > 0]
    if len(kept) < 2:
        return None, Reason.of("not-pooled-single-pairs", name)
    freedoms = [len(g) - 1 for g, _ in kept]
    tried = []
    for relative in (False, True):
        sizes = [c if relative else 1.0 for _, c in kept]
        variances = [
            math.fsum((d / size) ** 2 for d in g) / f for (g, _), size, f in zip(kept, sizes, freedoms, strict=True)
        ]
        deviation = math.sqrt(math.fsum(v * f for v, f in zip(variances, freedoms, strict=True)) / sum(freedoms))
        tried.append((largest_variance_is_chance(variances, freedoms), Pooled(deviation, sum(freedoms), relative)))
    chance, best = max(tried, key=lambda pair: pair[0])
    if chance < SIGNIFICANCE:
        return None, Reason.of("not-pooled-unlike", name, probability=chance)
    kind = "relative to the current" if best.relative else "in amperes"
    freedom = best.degrees_of_freedom
    return best, Reason.of("pooled", name, points=len(kept), degrees_of_freedom=freedom, kind=kind, probability=chance)


def _mean_indicated(point: ObservedPoint, display_factor: float) -> float:
    return math.fsum(p.displayed for p in point.pairs) / len(point.pairs) * display_factor
