"""Results from the currents: points with their budgets, turns, zero, line, linearity."""

from dataclasses import dataclass
from typing import Literal

from harness.results.judged_value import Judged

REPEATABILITY = "repeatability"
"""The source of a budget's line that says how the mean of repeated readings scatters."""


@dataclass(frozen=True)
class BudgetLine:
    """One input of a result's uncertainty; the result is a point's ratio error unless said otherwise.

    `standard_uncertainty` u(x) of the input itself in `unit` ("1" for a relative one), `sensitivity` c of the result
    to it (per that unit), `contribution` |c| u(x) to the standard uncertainty of the result, in the result's unit.
    """

    source: str
    distribution: Literal["normal", "rectangular"]
    standard_uncertainty: float
    unit: str
    sensitivity: float
    contribution: float
    degrees_of_freedom: float | None
    shared: bool


@dataclass(frozen=True)
class Point:
    """One point: means over its pairs, and the ratio error (a fraction), which is judged within the currents the range claims.

    `nominal_power_factor`: what the load was asked for, negative when leading, None when nothing was asked.
    """

    name: str
    direction: str
    nominal_current: float
    reference_current: float
    indicated_current: float
    ratio_error: Judged
    pairs: int
    reference_range: float
    budget: tuple[BudgetLine, ...]
    nominal_power_factor: float | None

    @property
    def judged(self) -> Judged:
        return self.ratio_error


TurnsMethod = Literal["equal ampere-turns", "between ampere-turns", "other ampere-turns"]
"""The places where a range was compared with the base range: at the same ampere-turns; between two of them; or, where neither
can be had, at the nearest, the meter's own error in the uncertainty as far as its claim allows it.
"""


@dataclass(frozen=True)
class EffectiveTurns:
    """Turns of a range from its readings over the base range's, by `method`, at so many ampere-turns `compared`.

    `nearest` is the nearest whole number, `probability` that it is the number of turns; `holds_whole_number` says whether it lies
    within the expanded uncertainty.
    """

    value: float
    expanded_uncertainty: float
    coverage_factor: float
    method: TurnsMethod
    compared: int
    nearest: int
    probability: float
    holds_whole_number: bool


@dataclass(frozen=True)
class Offset:
    """Indicated current with no primary current, in amperes, and whether it differs from zero by more than U."""

    value: float
    expanded_uncertainty: float
    coverage_factor: float
    significant: bool


@dataclass(frozen=True)
class Line:
    """Straight line of indicated on reference current; intercept in amperes, standard uncertainties.

    `chi_squared` is that of the points about the line with all their uncertainties, shared ones included; `departure` the standard deviation
    beyond them, a part of the current, which is in the uncertainties of slope and intercept; `departs` says whether it is more than chance.
    """

    slope: float
    slope_uncertainty: float
    intercept: float
    intercept_uncertainty: float
    covariance: float
    chi_squared: float
    degrees_of_freedom: int
    departure: float
    departs: bool


@dataclass(frozen=True)
class Linearity:
    """Largest deviations from the three lines of IEC 61298-2 and the hysteresis, as fractions of the span."""

    independent: float
    zero_based: float
    terminal_based: float
    hysteresis: float | None
