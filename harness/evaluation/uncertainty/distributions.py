"""Distributions of a deviation from its estimate, in standard uncertainties: the source of U and of every probability beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol


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
        from scipy.special import ndtr, stdtr

        return float(ndtr(x) if math.isinf(self.degrees_of_freedom) else stdtr(self.degrees_of_freedom, x))

    def half_width(self, probability: float) -> float:
        from scipy.special import ndtri, stdtrit

        upper = (1 + probability) / 2
        return float(ndtri(upper) if math.isinf(self.degrees_of_freedom) else stdtrit(self.degrees_of_freedom, upper))


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
