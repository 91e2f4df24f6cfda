"""The straight line of indicated on reference current through a range's points.

A meter's curve is not straight. What the points depart from a line, beyond all their uncertainties, is a further variance
of each, relative to the current: it keeps a point that hardly scatters from pulling the line to itself, and it is in
the uncertainty of slope and intercept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.straight_line import StraightLine, fit, propagated
from harness.evaluation.uncertainty.combination import covariance
from harness.evaluation.uncertainty.input_quantities import InputQuantities
from harness.evaluation.uncertainty.lack_of_fit import Departure, departure
from harness.results import Line


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
