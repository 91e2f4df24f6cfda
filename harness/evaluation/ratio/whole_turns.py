"""The probability of the nearest whole number of turns.

Bayes' theorem with a prior that is stated: every whole number is as probable as another, and in one case of a thousand (a judgement) the
turns found are those of no whole number at all (a meter exchanged, a parallel path), anywhere alike. So no probability
is 1, and a value too far from every whole number makes none of them probable. The density is that of the interval: a t-distribution
with its degrees of freedom, as wide as U says.
"""

from __future__ import annotations

import math

from harness.evaluation.uncertainty.combination import MANY, t_factor

NO_WHOLE_NUMBER = 1e-3
"""Prior probability that the turns found are of no whole number."""

REACH = 100
"""Whole numbers on either side that are weighed; further ones add nothing where anything is known."""


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
