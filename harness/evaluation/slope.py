"""What a range makes of the reference current: the slope of its line, or with too few currents the ratio at the largest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from harness.evaluation.points import Inputs, PointValues
from harness.evaluation.straight_line import StraightLine, fit, propagated
from harness.evaluation.uncertainty import rectangular


@dataclass(frozen=True)
class Slope:
    """Indicated over reference current as an uncertain `value`, and what it was made from.

    `line` is None where the points do not span one: then `points` is the one with the largest current. `departure` is the
    input that stands for points departing from the line (0.0 when they do not).
    """

    value: Any
    points: tuple[PointValues, ...]
    line: StraightLine | None
    departure: Any


def fitted(points: Sequence[PointValues]) -> StraightLine | None:
    """The line through a range's points, or None when they do not span one."""
    if len({v.observed.nominal_current for v in points}) < 3:
        return None
    return fit(
        [float(v.reference.nominal_value) for v in points],
        [float(v.indicated.nominal_value) for v in points],
        [v.random_reference for v in points],
        [v.random_indicated for v in points],
    )


def slope_of(inputs: Inputs, points: Sequence[PointValues], allowed: float = 0.0) -> Slope | None:
    """The slope over the `points` of a range (zero points left out), None without any.

    Where the points depart from a line by more than their scatter, the slope gets what the Birge ratio adds: the
    random standard uncertainty of the slope times sqrt(chi-squared / degrees of freedom - 1).

    One current alone says nothing of how the meter's own error changes with ampere-turns, which differ from range to range:
    up to what its claim allows, `allowed` (a fraction), taken as a bound.
    """
    if not points:
        return None
    line = fitted(points)
    if line is None:
        largest = max(points, key=lambda v: float(v.reference.nominal_value))
        change = inputs.own("the meter's own error at other ampere-turns", rectangular(allowed), "rectangular")
        return Slope(largest.indicated / largest.reference + change, (largest,), None, change)
    excess = max(0.0, line.chi_squared / line.degrees_of_freedom - 1)
    departure = inputs.own(
        "departure from a straight line", line.slope_uncertainty * excess**0.5, "normal", line.degrees_of_freedom
    )
    slope = propagated(line, [v.reference for v in points], [v.indicated for v in points])[0]
    return Slope(slope + departure, tuple(points), line, departure)
