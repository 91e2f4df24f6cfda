"""The arithmetic of the GUM that every budget uses: type A, combination, degrees of freedom, coverage factor.

Standard uncertainties are in whatever unit their value has; degrees of freedom may be infinite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Distribution = Literal["normal", "rectangular"]

DOMINANCE = 0.3
"""A rectangular part dominates when all others together are at most this part of it (EA-4/02 S9, value from memory)."""


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
    """Coverage factor, the effective degrees of freedom behind it, and how it was found."""

    factor: float
    degrees_of_freedom: float
    method: Literal["t-distribution", "rectangular part dominates, convolution"]


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
    from scipy.special import ndtri, stdtrit

    upper = (1 + probability) / 2
    return float(ndtri(upper) if math.isinf(degrees_of_freedom) else stdtrit(degrees_of_freedom, upper))


def coverage_factor(contributions: Sequence[Contribution], probability: float) -> Coverage:
    """Factor k for a two-sided coverage `probability`.

    From the t-distribution with the effective degrees of freedom truncated to a whole number (JCGM 100:2008, G.4.1,
    note 1); where one rectangular part dominates, from the convolution of its rectangle with a normal of the rest.
    A further, smaller rectangle counts as normal: at the limit of dominance that makes k smaller by about 1 %.
    """
    total = combined(contributions)
    freedom = effective_degrees_of_freedom(contributions)
    if total == 0:
        return Coverage(t_factor(math.inf, probability), math.inf, "t-distribution")
    largest = max(contributions, key=lambda c: c.standard_uncertainty)
    rest = math.sqrt(max(0.0, total**2 - largest.standard_uncertainty**2))
    if largest.distribution == "rectangular" and rest <= DOMINANCE * largest.standard_uncertainty:
        width = convolved_half_width(largest.standard_uncertainty * math.sqrt(3), rest, probability)
        return Coverage(width / total, freedom, "rectangular part dominates, convolution")
    # Rounding leaves a single contribution of 3 degrees of freedom at 2.9999999999999996, which must not become 2.
    whole = math.floor(freedom * (1 + 1e-12)) if math.isfinite(freedom) else freedom
    return Coverage(t_factor(max(1.0, whole), probability), freedom, "t-distribution")


def convolved_half_width(half_width: float, standard_deviation: float, probability: float) -> float:
    """Half-width of the interval holding `probability` of a rectangle +-`half_width` plus a normal of `standard_deviation`.

    With Phi and phi the normal distribution and density, the sum is below x with probability
    [(x+a) Phi((x+a)/s) + s phi((x+a)/s) - (x-a) Phi((x-a)/s) - s phi((x-a)/s)] / 2a, the integral of Phi over the
    rectangle.
    """
    if standard_deviation < 1e-9 * half_width:
        return half_width * probability
    low, high = 0.0, half_width + 10 * standard_deviation
    for _ in range(80):
        middle = (low + high) / 2
        below = _integral_of_phi(middle + half_width, standard_deviation) - _integral_of_phi(
            middle - half_width, standard_deviation
        )
        if below / (2 * half_width) < (1 + probability) / 2:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _integral_of_phi(x: float, s: float) -> float:
    z = x / s
    return x * (1 + math.erf(z / math.sqrt(2))) / 2 + s * math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
