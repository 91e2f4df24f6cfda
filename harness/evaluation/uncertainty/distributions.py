"""Distributions of a deviation from its estimate, in standard uncertainties: the source of U and of every probability beside it.

scipy has them too, and takes longer to load than a run takes to be evaluated; the tests compare with it.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Any, Protocol

import numpy as np

from harness.core.arrays import Array

DIGITS = 12
"""Significant digits of a quantile: the last bits of exponentials, which differ between processors, do not reach the result."""

FARTHEST = 1e100
"""What lies beyond this lies beyond infinity too."""

_APART = 1 / 24
_STEPS = np.arange(-3.9, 3.9, _APART)
_REACH = np.exp(math.pi / 2 * np.sinh(_STEPS))
_WEIGHTS = math.pi / 2 * _APART * np.cosh(_STEPS) * _REACH
"""Weights of the values at `_REACH` in an integral from 0 to infinity (Takahasi and Mori 1974; value from memory)."""


class Spread(Protocol):
    """A symmetric distribution about zero."""

    def cumulative(self, x: float) -> float:
        """Probability of `x` or less."""
        ...

    def half_width(self, probability: float) -> float:
        """Half-width of the interval about zero that holds `probability`."""
        ...


@dataclass(frozen=True)
class TDistribution:
    """A t-distribution; of infinite degrees of freedom it is the normal one (JCGM 100:2008, G.3)."""

    degrees_of_freedom: float = math.inf

    def cumulative(self, x: float) -> float:
        if math.isinf(self.degrees_of_freedom):
            return math.erfc(-x / math.sqrt(2)) / 2
        beyond = float(t_beyond(abs(x), self.degrees_of_freedom))
        return beyond if x < 0 else 1 - beyond

    def half_width(self, probability: float) -> float:
        if math.isinf(self.degrees_of_freedom):
            return -NormalDist().inv_cdf((1 - probability) / 2)
        return _t_half_width(self.degrees_of_freedom, probability)


def t_beyond(x: Any, degrees_of_freedom: float) -> Array:
    """Probability of more than `x`, a number or an array of them, none below 0, under a t-distribution."""
    return 0.5 * _area(np.minimum(x, FARTHEST), degrees_of_freedom) / _half_area(degrees_of_freedom)


def _area(start: Array, freedom: float) -> Array:
    """Integral of (1 + t^2 / nu)^(-(nu + 1) / 2) from `start` (n,) to infinity."""
    width = 1 + start
    t = start[..., None] + width[..., None] * _REACH
    found: Array = width * (np.exp(-(freedom + 1) / 2 * np.log1p(t * t / freedom)) @ _WEIGHTS)
    return found


@lru_cache
def _half_area(freedom: float) -> float:
    return float(_area(np.zeros(()), freedom))


@lru_cache
def _t_half_width(freedom: float, probability: float) -> float:
    """By Newton from the normal distribution's, which is narrower; from there no step goes too far."""
    x = NORMAL.half_width(probability)
    outside = (1 - probability) / 2
    step = x
    while step > 1e-15 * x:
        density = math.exp(-(freedom + 1) / 2 * math.log1p(x * x / freedom)) / _half_area(freedom) / 2
        step = (float(t_beyond(x, freedom)) - outside) / density
        x += step
    return float(f"{x:.{DIGITS}g}")


def chi_squared_beyond(value: float, degrees_of_freedom: int) -> float:
    """Probability of more than `value`, 0 or above, under chi-squared (Abramowitz and Stegun, 26.4.4 and 26.4.5; value from memory)."""
    if value <= 0 or math.isinf(value):
        return 1.0 if value <= 0 else 0.0
    half, odd = value / 2, degrees_of_freedom % 2
    terms = (
        math.exp(k / 2 * math.log(half) - half - math.lgamma(k / 2 + 1)) for k in range(odd, degrees_of_freedom - 1, 2)
    )
    return math.fsum([odd * math.erfc(math.sqrt(half)), *terms])


NORMAL = TDistribution()


@dataclass(frozen=True)
class Stretched:
    """`spread`, `times` as wide."""

    spread: Spread
    times: float

    def cumulative(self, x: float) -> float:
        return self.spread.cumulative(x / self.times)

    def half_width(self, probability: float) -> float:
        return self.times * self.spread.half_width(probability)
