"""The arithmetic of the GUM that every budget uses: type A, combination, degrees of freedom, coverage factor.

Standard uncertainties are in whatever unit their value has; degrees of freedom may be infinite.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.evaluation.uncertainty.convolution import Bell, summed
from harness.evaluation.uncertainty.distributions import Spread, Stretched, TDistribution

Distribution = Literal["normal", "rectangular"]

MANY = 1e4
"""More degrees of freedom than this are as good as infinite: k differs from the normal distribution's by 0.01 %."""

LEAST_FREEDOM = 2.0
"""Only with more degrees of freedom than this has a t-distribution a standard deviation."""

NOTHING_BESIDE = 1e-5
"""Parts that make up no more of the variance than this are one t-distribution together: k changes by some 1e-4 at the most."""

Method = Literal["t-distribution", "numerical convolution of the input distributions"]
CONVOLUTION: Method = "numerical convolution of the input distributions"


@dataclass(frozen=True)
class Contribution:
    """One input's share of a standard uncertainty."""

    standard_uncertainty: float
    distribution: Distribution = "normal"
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True)
class TypeA:
    """Mean of repeated values, their standard deviation, the standard uncertainty of the mean, degrees of freedom."""

    mean: float
    standard_deviation: float
    standard_uncertainty: float
    degrees_of_freedom: int


@dataclass(frozen=True)
class Coverage:
    """Coverage factor, the effective degrees of freedom told with it, how it was found, and the distribution it belongs to.

    `spread` in standard uncertainties: every probability that is stated of the value is taken from it.
    """

    factor: float
    degrees_of_freedom: float
    method: Method
    spread: Spread

    @property
    def told_degrees_of_freedom(self) -> float | None:
        """The number told in results: None for infinity, and for so many that it makes no difference."""
        return self.degrees_of_freedom if self.degrees_of_freedom < MANY else None


def type_a(values: Sequence[float]) -> TypeA:
    """Type A evaluation of repeated `values` (JCGM 100:2008, 4.2). Raises ValueError for fewer than two."""
    count = len(values)
    if count < 2:
        raise ValueError(f"{count} values have no standard deviation, expected at least 2")
    mean = math.fsum(values) / count
    # The second term corrects the rounding of the mean (Chan, Golub and LeVeque 1983, the corrected two-pass algorithm).
    squares = math.fsum((v - mean) ** 2 for v in values) - math.fsum(v - mean for v in values) ** 2 / count
    deviation = math.sqrt(squares / (count - 1))
    return TypeA(mean, deviation, deviation / math.sqrt(count), count - 1)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a bound +-`half_width` with nothing known inside it (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3)


def combined(contributions: Sequence[Contribution]) -> float:
    """Root sum of squares of independent contributions (JCGM 100:2008, 5.1.2)."""
    return math.sqrt(math.fsum(c.standard_uncertainty**2 for c in contributions))


def covariance(values: Sequence[Any]) -> NDArray[np.float64]:
    """Covariance matrix (n, n) of n values of `uncertainties`, shared inputs included (JCGM 100:2008, F.1.2.3).

    The inputs are summed in the order in which they first appear. The package's own function sums in an order that
    follows memory addresses: the last digits change from run to run, and a recomputed certificate would differ.
    """
    columns: dict[Any, int] = {}
    for value in values:
        for variable in value.derivatives:
            columns.setdefault(variable, len(columns))
    parts = np.zeros((len(values), len(columns)))
    for row, value in enumerate(values):
        for variable, derivative in value.derivatives.items():
            parts[row, columns[variable]] = derivative * variable.std_dev
    return parts @ parts.T


def effective_degrees_of_freedom(contributions: Sequence[Contribution]) -> float:
    """Welch-Satterthwaite (JCGM 100:2008, G.4.1), not truncated; infinite when no contribution has a finite number."""
    finite = math.fsum(
        c.standard_uncertainty**4 / c.degrees_of_freedom for c in contributions if math.isfinite(c.degrees_of_freedom)
    )
    return combined(contributions) ** 4 / finite if finite else math.inf


def t_factor(degrees_of_freedom: float, probability: float) -> float:
    """Two-sided factor of the t-distribution (JCGM 100:2008, G.3 and table G.2)."""
    return TDistribution(degrees_of_freedom).half_width(probability)


def coverage_factor(contributions: Sequence[Contribution], probability: float) -> Coverage:
    """Factor k for a two-sided coverage `probability`.

    Without rectangular parts from the t-distribution with the effective degrees of freedom truncated to a whole number
    (JCGM 100:2008, G.4.1, note 1). With any, from the distribution of the sum: every rectangle, every t-distribution and what
    has infinite degrees of freedom as it is (JCGM 101:2008, 6.4.9). So k does not jump where a rectangle begins to dominate.
    The degrees of freedom told are those of all parts.

    Two degrees of freedom and fewer have no t-distribution with a standard deviation (JCGM 101:2008, 6.4.9, which asks
    for four readings at least), and its tails would swamp the largest rectangle. Such parts are put together by
    Welch-Satterthwaite; where that does not make three of them, they count as normal, and all is widened by what the rule
    makes of the degrees of freedom of the whole. That rule covers nearly as often as it says over many evaluations, and is
    narrower than the sum of t-distributions: three readings may have a smaller k than four. Readings that follow one another
    have broken degrees of freedom, four of them between two and three: they keep their t-distribution, not truncated.
    """
    total = combined(contributions)
    freedom = effective_degrees_of_freedom(contributions)
    rectangles = [c.standard_uncertainty for c in contributions if _is_rectangle(c)]
    if not rectangles:
        spread = TDistribution(_whole(freedom))
        return Coverage(spread.half_width(probability), freedom, "t-distribution", spread)
    rest = sorted((c for c in contributions if not _is_rectangle(c)), key=lambda c: c.standard_uncertainty)
    flats = [math.sqrt(3) * u / total for u in rectangles]
    few, small, alone = _split(rest, total)
    bells = [Bell(c.standard_uncertainty / total, c.degrees_of_freedom) for c in alone]
    if small:
        bells.append(Bell(combined(small) / total, effective_degrees_of_freedom(small)))
    if few:
        bells.append(Bell(combined(few) / total, _whole(effective_degrees_of_freedom(few))))
    if any(bell.degrees_of_freedom <= LEAST_FREEDOM for bell in bells):
        wider = t_factor(max(1.0, freedom), probability) / t_factor(math.inf, probability)
        narrow = summed(flats, combined(rest) / total, [], probability)
        return Coverage(wider * narrow.half_width(probability), freedom, CONVOLUTION, Stretched(narrow, wider))
    known = combined([c for c in rest if math.isinf(c.degrees_of_freedom)]) / total
    found = summed(flats, known, bells, probability)
    return Coverage(found.half_width(probability), freedom, CONVOLUTION, found)


def _split(
    rest: Sequence[Contribution], total: float
) -> tuple[list[Contribution], list[Contribution], list[Contribution]]:
    """The parts put together as one t-distribution, those as another, and those with one of their own. `rest` by rising uncertainty.

    Parts of few degrees of freedom are put together; so are the smallest ones, as long as they are nothing beside the whole.
    """
    few, small, alone = [], [], []
    squares = 0.0
    for c in rest:
        if math.isinf(c.degrees_of_freedom) or not c.standard_uncertainty:
            continue
        squares += c.standard_uncertainty**2
        if c.degrees_of_freedom <= LEAST_FREEDOM:
            few.append(c)
        elif squares < NOTHING_BESIDE * total**2:
            small.append(c)
        else:
            alone.append(c)
    return few, small, alone


def _is_rectangle(contribution: Contribution) -> bool:
    return contribution.distribution == "rectangular" and contribution.standard_uncertainty > 0


def _whole(freedom: float) -> float:
    """Degrees of freedom truncated, at least 1. Rounding must not make 2 of 2.9999999999999996."""
    return max(1.0, math.floor(freedom * (1 + 1e-12))) if math.isfinite(freedom) else freedom
