"""The straight line of indicated on reference current through points that are uncertain in both.

The fit is that of York et al. (2004), "Unified equations for the slope, intercept, and standard errors of the best
straight line", for uncorrelated errors; without uncertainty in x it is ordinary weighted least squares.

A meter's curve is not straight. What the points depart from a line, beyond all their uncertainties, is a further variance
of each, relative to the current: it keeps a point that hardly scatters from pulling the line to itself, and it is in
the uncertainty of slope and intercept.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.gum_formulas import covariance
from harness.evaluation.uncertainty.lack_of_fit import Departure, departure
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.results import Line


@dataclass(frozen=True)
class StraightLine:
    """y = intercept + slope x.

    `weights` W and `adjusted` beta are those of the last iteration: with them fixed, slope and intercept are
    functions of the data through which any further uncertainty can be propagated.
    """

    slope: float
    intercept: float
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
    if len(set(xs.tolist())) < 2:
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
    return StraightLine(slope, float(mean_y - slope * mean_x), weights, beta)


def propagated(line: StraightLine, x: Sequence[Any], y: Sequence[Any]) -> tuple[Any, Any]:
    """Slope and intercept as functions of uncertain `x`, `y`, weights fixed, so that inputs shared by points or lines stay correlated."""
    weights = line.weights / line.weights.sum()
    pull = line.weights * line.adjusted
    (mean_x, run), (mean_y, rise) = (_mean_and_moment(weights, pull, values) for values in (x, y))
    slope = rise / run
    return slope, mean_y - slope * mean_x


def _mean_and_moment(weights: Array, pull: Array, values: Sequence[Any]) -> tuple[Any, Any]:
    """The mean of uncertain `values` by `weights`, and the sum of `pull` times their distances from it."""
    mean = sum(float(w) * value for w, value in zip(weights, values, strict=True))
    # The uncertain mean is taken off once for all, not from each value: its inputs are those of all of them.
    about = nominal(mean)
    moment = sum(float(c) * (value - about) for c, value in zip(pull, values, strict=True))
    return mean, moment - float(pull.sum()) * (mean - about)


@dataclass(frozen=True)
class FittedLine:
    """The line with its weights, its uncertain `slope` and `intercept` (amperes), and the departure, a part of the current."""

    line: StraightLine
    slope: Any
    intercept: Any
    departure: Departure


def line_of(inputs: InputQuantities, points: Sequence[PointValues]) -> FittedLine | None:
    """The line through a range's points (zero points left out), None when they do not span one."""
    if len({v.observed.nominal_current for v in points}) < 3:
        return None
    x = np.array([float(v.reference.nominal_value) for v in points])
    errors = [v.ratio_error for v in points]
    found = departure(
        np.array([float(e.nominal_value) for e in errors if e is not None]),
        np.column_stack([np.ones_like(x), 1 / x]),
        covariance(errors),
    )
    apart = found.standard_deviation * x
    line = fit(
        x,
        [float(v.indicated.nominal_value) for v in points],
        [v.random_reference for v in points],
        np.hypot([v.random_indicated for v in points], apart),
    )
    departed = [
        v.indicated + inputs.own("departure from a straight line", float(u), "normal", unit="A")
        for v, u in zip(points, apart, strict=True)
    ]
    slope, intercept = propagated(line, [v.reference for v in points], departed)
    return FittedLine(line, slope, intercept, found)


def stated_line(found: FittedLine | None) -> Line | None:
    """The line as results tell it."""
    if found is None:
        return None
    apart = found.departure
    return Line(
        slope=found.line.slope,
        slope_uncertainty=float(found.slope.std_dev),
        intercept=found.line.intercept,
        intercept_uncertainty=float(found.intercept.std_dev),
        covariance=float(covariance([found.slope, found.intercept])[0, 1]),
        chi_squared=apart.chi_squared,
        degrees_of_freedom=apart.degrees_of_freedom,
        departure=apart.standard_deviation,
        departs=apart.significant,
    )
