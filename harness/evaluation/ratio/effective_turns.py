"""Effective turns: what a range reads of the base range at the same ampere-turns, times its turns.

At equal ampere-turns the core is magnetised alike and the module sees the same current, so the meter's own curve and gain cancel
in the ratio of two ranges' readings; what shared inputs of the reference have in common cancels too. How many turns the base range
itself has, nobody can tell from the meter's gain: of it a reading factor is stated, indicated over reference current.

The probability of the nearest whole number of turns is that of Bayes' theorem with a prior that is stated: every whole number is as probable as
another, and in one case of a thousand (a judgement) the turns found are those of no whole number at all (a meter exchanged, a parallel path),
anywhere alike. So no probability is 1, and a value too far from every whole number makes none of them probable. The density is that of the
interval: a t-distribution with its degrees of freedom, as wide as U says.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.core.arrays import Array
from harness.core.interpolation import Node, interpolate
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.reference_errors import Deviation
from harness.evaluation.uncertainty.coverage_factor import MANY, t_factor
from harness.evaluation.uncertainty.gum_formulas import covariance
from harness.evaluation.uncertainty.lack_of_fit import Departure, departure
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.files.device import Range
from harness.results import EffectiveTurns, TurnsMethod

BASE_WRONG = 0.2
"""A base range that indicates this far (relative) from the reference current is not compared with: its error would spread."""

EQUAL = 0.02
"""Ampere-turns this near (relative) are equal: a load's own error and a point brought down to its maximum test current.
A meter's curve is smooth, so over them it changes by its slope alone, of which a bound is in U.
"""

SLOPE = 0.003 / math.log(10)
"""Slope of an ordinary transformer's curve, in the logarithm of the ampere-turns: 0.3 % a decade at the most (value from memory).
A base range that is steeper beside the place compared counts with its own slope.
"""

SHAPE = 5e-4
"""Standard deviation of a meter's error at any ampere-turns from a smooth curve: that of `[unmodelled]` in the shipped causes, a judgement."""


NO_WHOLE_NUMBER = 1e-3
"""Prior probability that the turns found are of no whole number."""

REACH = 100
"""Whole numbers on either side that are weighed; further ones add nothing where anything is known."""


@dataclass(frozen=True)
class RatioAtCurrent:
    """The points of a range at one current: mean of indicated over reference current, uncertain, and their ampere-turns."""

    ampere_turns: float
    ratio: Any
    points: tuple[PointValues, ...]


@dataclass(frozen=True)
class RangeComparison:
    """A place of a range with the base range there: a weighted sum of `base` places, and the inputs that may differ between them."""

    own: RatioAtCurrent
    base: tuple[tuple[float, RatioAtCurrent], ...]
    difference: Deviation

    @property
    def ratio(self) -> Any:
        """Ratio of the two ranges' readings."""
        return self.own.ratio / sum(part * place.ratio for part, place in self.base) * (1 + self.difference.uncertain)


@dataclass(frozen=True)
class Multiplier:
    """Ratio of a range's readings to the base range's as an uncertain `value`: the `weights`-weighted mean of `compared`.

    `apart` is the input that stands for comparisons departing from one another (0.0 when they do not).
    """

    value: Any
    method: TurnsMethod
    compared: tuple[RangeComparison, ...]
    weights: tuple[float, ...]
    apart: Any


def reading_factor(points: Sequence[PointValues]) -> Any | None:
    """Sum of indicated over sum of reference currents of a range's points, uncertain; None without points."""
    return sum(v.indicated for v in points) / sum(v.reference for v in points) if points else None


def compare_with_base(
    inputs: InputQuantities,
    own: tuple[Range, Sequence[PointValues]],
    base: tuple[Range, Sequence[PointValues]],
    allowed: float,
) -> Multiplier | None:
    """Compare a range with the base range, each with its points; None when either has none.

    Where both were read at equal ampere-turns, there. Otherwise where the base range was read on both sides of the range's own, with the line
    between the two and, as a bound, what of their difference may be missing in it. Otherwise at the two places nearest in
    ampere-turns: there the meter's own error may differ by what its claim allows either of them, `allowed` (a fraction), taken as a bound.
    """
    mine, theirs = _places(*own), _places(*base)
    if not mine or not theirs:
        return None
    method: TurnsMethod = "equal ampere-turns"
    compared = [c for place in mine if (c := _equal(inputs, place, theirs)) is not None]
    if not compared:
        method = "between ampere-turns"
        compared = [c for place in mine if (c := _between(inputs, place, theirs)) is not None]
    if not compared:
        method = "other ampere-turns"
        compared = [_nearest(inputs, mine, theirs, allowed)]
    ratios = [c.ratio for c in compared]
    found, weights = _weighed(ratios, np.array([c.own.ampere_turns for c in compared]))
    apart = inputs.own(
        "departure of the ranges' ratio at different ampere-turns",
        found.standard_deviation * float(np.sqrt(np.sum(weights**2))),
        "normal",
        found.degrees_of_freedom,
    )
    value = sum(float(w) * r for w, r in zip(weights, ratios, strict=True)) + apart
    return Multiplier(value, method, tuple(compared), tuple(weights.tolist()), apart)


def effective_turns(inputs: InputQuantities, found: Multiplier, expected_turns: int) -> EffectiveTurns:
    """The turns of a range, and the nearest whole number with its probability."""
    turns = inputs.stated(expected_turns * found.value)
    nearest, probability = math.floor(turns.value + 0.5), inputs.bench.decision.coverage_probability
    return EffectiveTurns(
        value=turns.value,
        expanded_uncertainty=turns.expanded_uncertainty,
        coverage_factor=turns.coverage_factor,
        method=found.method,
        compared=len(found.compared),
        nearest=nearest,
        probability=probability_of_nearest(
            turns.value, turns.expanded_uncertainty, turns.degrees_of_freedom or math.inf, probability
        ),
        holds_whole_number=abs(turns.value - nearest) <= turns.expanded_uncertainty,
    )


def probability_of_nearest(value: float, expanded: float, degrees_of_freedom: float, coverage: float) -> float:
    """Probability that the whole number nearest to `value` is the number of turns; `expanded` uncertainty for the probability `coverage`."""
    freedom = min(max(1.0, degrees_of_freedom), MANY)
    width = expanded / t_factor(freedom, coverage)
    nearest = math.floor(value + 0.5)
    weights = {
        n: _density((value - n) / width, freedom) / width for n in range(nearest - REACH, nearest + REACH + 1) if n >= 0
    }
    whole = (1 - NO_WHOLE_NUMBER) * math.fsum(weights.values())
    return (1 - NO_WHOLE_NUMBER) * weights.get(nearest, 0.0) / (whole + NO_WHOLE_NUMBER)


def _density(distance: float, freedom: float) -> float:
    """Density of the t-distribution."""
    size = math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2) - math.log(freedom * math.pi) / 2
    return math.exp(size - (freedom + 1) / 2 * math.log1p(distance**2 / freedom))


def _places(rng: Range, points: Sequence[PointValues]) -> list[RatioAtCurrent]:
    """Points by rising ampere-turns; readings of one current, upward and downward, are one place.

    A display that shows nothing, but something elsewhere, has a current below what it shows, which says nothing of turns.
    """
    found = []
    shown = [v for v in points if v.indicated.nominal_value != 0]
    ordered = sorted(shown or points, key=lambda v: v.observed.nominal_current)
    for _, group in itertools.groupby(ordered, key=lambda v: v.observed.nominal_current):
        own = tuple(group)
        current = math.fsum(float(v.reference.nominal_value) for v in own) / len(own)
        ratio = sum(v.indicated / v.reference for v in own) / len(own)
        found.append(RatioAtCurrent(current * rng.primary_turns, ratio, own))
    return sorted(found, key=lambda place: place.ampere_turns)


def _equal(inputs: InputQuantities, place: RatioAtCurrent, base: Sequence[RatioAtCurrent]) -> RangeComparison | None:
    at = min(range(len(base)), key=lambda n: _apart(place, base[n]))
    apart = _apart(place, base[at])
    if apart > EQUAL:
        return None
    beside = [p for p in itertools.pairwise(base[max(0, at - 1) : at + 2]) if _apart(*p) > EQUAL]
    slopes = [abs(math.log(nominal(high.ratio) / nominal(low.ratio))) / _apart(low, high) for low, high in beside]
    steepest = max([SLOPE, *slopes])
    between = inputs.own_bound("the meter's own curve between ampere-turns that are nearly equal", steepest * apart)
    return RangeComparison(place, ((1.0, base[at]),), Deviation(0.0, ((1.0, between),)))


def _between(inputs: InputQuantities, place: RatioAtCurrent, base: Sequence[RatioAtCurrent]) -> RangeComparison | None:
    """The base range between two of its places.

    What a line misses of a smooth curve between two places is bounded as between two calibrated currents, and is one input for
    all that is compared there: it is the same curve. What a curve departs from a smooth one is another at every place.
    """
    for low, high in itertools.pairwise(base):
        if low.ampere_turns <= place.ampere_turns <= high.ampere_turns:
            nodes = [Node(p.ampere_turns, float(p.ratio.nominal_value), 0.0) for p in (low, high)]
            found, part = interpolate(nodes, place.ampere_turns), _apart(place, low) / _apart(high, low)
            between = f"{low.ampere_turns:.4g} and {high.ampere_turns:.4g} ampere-turns"
            bow = inputs.shared_bound(f"the meter's own curve between {between}", found.largest_bow)
            missed = found.bow / found.largest_bow if found.largest_bow else 0.0
            size = SHAPE * math.hypot(1.0, 1 - part, part)
            shape = inputs.own("departure of the meter's curve from a smooth one", size, "normal")
            difference = Deviation(0.0, ((missed, bow), (1.0, shape)))
            return RangeComparison(place, ((1 - part, low), (part, high)), difference)
    return None


def _nearest(
    inputs: InputQuantities, own: Sequence[RatioAtCurrent], base: Sequence[RatioAtCurrent], allowed: float
) -> RangeComparison:
    place, other = min(itertools.product(own, base), key=lambda pair: _apart(*pair))
    own_errors = tuple(
        (1.0, inputs.own_bound("the meter's own error at other ampere-turns", allowed)) for _ in range(2)
    )
    return RangeComparison(place, ((1.0, other),), Deviation(0.0, own_errors))


def _apart(first: RatioAtCurrent, second: RatioAtCurrent) -> float:
    return abs(math.log(first.ampere_turns / second.ampere_turns))


def _weighed(ratios: Sequence[Any], ampere_turns: Array) -> tuple[Departure, Array]:
    """Weights (n,) of the mean of `ratios`, and their departure from it.

    Ratios that depart are asked for a current added on one range alone (the module's own supply, an offset): its part falls with the
    ampere-turns, so the mean is then taken where they are infinite.
    """
    values, spread = np.array([float(r.nominal_value) for r in ratios]), covariance(ratios)
    found = departure(values, np.ones((len(values), 1)), spread)
    if not found.significant or len(values) < 3:
        return found, _least_variance(spread + found.standard_deviation**2 * np.eye(len(values)))
    design = np.column_stack([np.ones(len(values)), ampere_turns.min() / ampere_turns])
    found = departure(values, design, spread)
    pull = np.linalg.solve(spread + found.standard_deviation**2 * np.eye(len(values)), design)
    return found, np.linalg.solve(design.T @ pull, pull.T)[0]


def _least_variance(spread: Array) -> Array:
    """Weights of the mean with the least variance, none below zero: a mean that rests on a difference of readings is left out."""
    kept = np.arange(len(spread))
    while True:
        pull = np.linalg.solve(spread[np.ix_(kept, kept)], np.ones(len(kept)))
        if np.all(pull > 0):
            break
        kept = kept[pull > 0]
    weights = np.zeros(len(spread))
    weights[kept] = pull / pull.sum()
    return weights
