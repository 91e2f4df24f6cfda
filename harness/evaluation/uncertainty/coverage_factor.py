"""The coverage factor k, and the distribution it belongs to."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from harness.evaluation.uncertainty.convolution import Bell, summed
from harness.evaluation.uncertainty.distributions import Spread, Stretched, TDistribution
from harness.evaluation.uncertainty.gum_formulas import Contribution, combined, effective_degrees_of_freedom

MANY = 1e4
"""More degrees of freedom than this are as good as infinite: k differs from the normal distribution's by 0.01 %."""

LEAST_FREEDOM = 2.0
"""Only with more degrees of freedom than this has a t-distribution a standard deviation."""

NOTHING_BESIDE = 1e-5
"""Parts that make up no more of the variance than this are one t-distribution together: k changes by some 1e-4 at the most."""

Method = Literal["t-distribution", "numerical convolution of the input distributions"]
CONVOLUTION: Method = "numerical convolution of the input distributions"


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
