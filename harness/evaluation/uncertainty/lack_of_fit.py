"""Departure of values from a fit, beyond their own uncertainties: one further variance, the same for all.

Paule and Mandel (1982), "Consensus values and weighting factors", J. Res. Natl. Bur. Stand. 87, 377: the variance is chosen
so that chi-squared comes to its degrees of freedom. With the whole covariance of the values in it, what a shared input explains
(two ranges of the reference that disagree inside their claim) is no departure.
"""

from dataclasses import dataclass

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.uncertainty.distributions import chi_squared_beyond

HALVINGS = 60

SIGNIFICANCE = 0.01
"""Values depart where chance alone would make them do so in fewer cases than this."""


@dataclass(frozen=True)
class Departure:
    """Standard deviation of the values beyond their own uncertainties, in their unit; chi-squared without it."""

    standard_deviation: float
    chi_squared: float
    degrees_of_freedom: int

    @property
    def significant(self) -> bool:
        """Whether it is more than chance."""
        freedom = self.degrees_of_freedom
        return freedom > 0 and chi_squared_beyond(self.chi_squared, freedom) < SIGNIFICANCE


def departure(values: Array, design: Array, covariance: Array) -> Departure:
    """Departure of `values` (n,) from their best fit by `design` (n, p), given their `covariance` (n, n), positive definite.

    The standard deviation is 0 where chi-squared is no larger than its degrees of freedom, or there are none.
    """
    freedom = len(values) - design.shape[1]
    if freedom < 1:
        return Departure(0.0, 0.0, 0)
    scale, turned = np.linalg.eigh(covariance)
    rotated = turned.T @ np.column_stack([values, design])
    scale = np.maximum(scale, 0.0)

    def chi_squared(variance: float) -> float:
        weighed = rotated / np.sqrt(scale + variance)[:, None]
        left = weighed[:, 0] - weighed[:, 1:] @ np.linalg.lstsq(weighed[:, 1:], weighed[:, 0], rcond=None)[0]
        return float(left @ left)

    least = float(scale.max()) * np.finfo(float).eps
    without = chi_squared(least)
    if without <= freedom:
        return Departure(0.0, without, freedom)
    low, high = 0.0, float(scale.max())
    while chi_squared(high) > freedom:
        low, high = high, 4 * high
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if chi_squared(middle + least) > freedom else (low, middle)
    return Departure(float(np.sqrt(high)), without, freedom)
