"""A straight line through points that are uncertain in both directions, and its propagation.

The fit is that of York et al. (2004), "Unified equations for the slope, intercept, and standard errors of the best
straight line", for uncorrelated errors; without uncertainty in x it is ordinary weighted least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.core.arrays import Array


@dataclass(frozen=True)
class StraightLine:
    """y = intercept + slope x, with standard uncertainties, covariance and chi-squared.

    `weights` W and `adjusted` beta are those of the last iteration: with them fixed, slope and intercept are
    functions of the data through which any further uncertainty can be propagated.
    """

    slope: float
    intercept: float
    slope_uncertainty: float
    intercept_uncertainty: float
    covariance: float
    chi_squared: float
    degrees_of_freedom: int
    weights: Array
    adjusted: Array


def fit(
    x: Sequence[float] | Array, y: Sequence[float] | Array, u_x: Sequence[float] | Array, u_y: Sequence[float] | Array
) -> StraightLine:
    """Fit a line to `x`, `y` (shape (n,)) with standard uncertainties `u_x`, `u_y` (York et al. 2004, eq. 13).

    Raises ValueError for fewer than two distinct x, or an uncertainty of y that is not above zero.
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    ux, uy = np.asarray(u_x, dtype=float), np.asarray(u_y, dtype=float)
    if len(np.unique(xs)) < 2:
        raise ValueError("a line needs at least two different x")
    if not np.all(uy > 0):
        raise ValueError("every y needs an uncertainty above zero")
    slope = float(np.polyfit(xs, ys, 1)[0])
    for _ in range(200):
        before = slope
        weights = 1.0 / (uy**2 + slope**2 * ux**2)
        mean_x, mean_y = np.average(xs, weights=weights), np.average(ys, weights=weights)
        dx, dy = xs - mean_x, ys - mean_y
        beta = weights * (dx * uy**2 + slope * dy * ux**2)
        slope = float(np.sum(weights * beta * dy) / np.sum(weights * beta * dx))
        if abs(slope - before) <= 1e-15 * abs(slope):
            break
    intercept = float(mean_y - slope * mean_x)
    adjusted = mean_x + beta
    centre = np.average(adjusted, weights=weights)
    slope_variance = 1.0 / float(np.sum(weights * (adjusted - centre) ** 2))
    return StraightLine(
        slope=slope,
        intercept=intercept,
        slope_uncertainty=slope_variance**0.5,
        intercept_uncertainty=float(1.0 / np.sum(weights) + centre**2 * slope_variance) ** 0.5,
        covariance=float(-centre * slope_variance),
        chi_squared=float(np.sum(weights * (ys - intercept - slope * xs) ** 2)),
        degrees_of_freedom=len(xs) - 2,
        weights=weights,
        adjusted=beta,
    )


def propagated(line: StraightLine, x: Sequence[Any], y: Sequence[Any]) -> tuple[Any, Any]:
    """Slope and intercept as functions of uncertain `x`, `y`, weights fixed, so that inputs shared by points or lines stay correlated."""
    weights = line.weights / line.weights.sum()
    pull = line.weights * line.adjusted
    mean_x = sum(float(w) * value for w, value in zip(weights, x, strict=True))
    mean_y = sum(float(w) * value for w, value in zip(weights, y, strict=True))
    rise = sum(float(c) * (value - mean_y) for c, value in zip(pull, y, strict=True))
    run = sum(float(c) * (value - mean_x) for c, value in zip(pull, x, strict=True))
    slope = rise / run
    return slope, mean_y - slope * mean_x
