"""Formulas of the GUM: type A, a rectangular bound, root sum of squares of independent contributions, covariance, effective degrees of freedom.

Standard uncertainties are in whatever unit their value has; degrees of freedom may be infinite.
u of a point does not come from here: `ratio/point_errors.py` makes its values of the package `uncertainties`, which propagates their inputs.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Distribution = Literal["normal", "rectangular"]


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
