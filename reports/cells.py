"""The texts of table cells: values with their U, limits, how a verdict was decided. A dash stands where there is none."""

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.rounding import exact, round_half_up, round_pair, round_significant, written
from harness.results import Judged, Stated

DASH = "–"
PERCENT = 100.0
"""Percent in a fraction of 1, as a scale of `value_and_u`."""


def value_and_u(value: Stated | None, scale: float = 1.0) -> tuple[str, str]:
    """Value and expanded uncertainty, both times `scale`."""
    if value is None or not value.expanded_uncertainty:
        return DASH, DASH
    rounded = round_pair(*(exact(part) * exact(scale) for part in (value.value, value.expanded_uncertainty)))
    return written(rounded[0]), written(rounded[1])


def limit_text(error: Judged) -> str:
    """The limit of a fraction in percent to four significant digits, without the sign."""
    return DASH if error.limit is None else written(round_significant(exact(error.limit, 2), 4))


def minutes_limit(displacement: Judged) -> str:
    """The limit of a phase displacement in minutes of arc."""
    return DASH if displacement.limit is None else f"{displacement.limit * MINUTES_PER_RADIAN:.1f}"


def decided_texts(judged: Judged) -> tuple[str, str]:
    """Limit over U to two decimals, none from 100 on, and the risk of the verdict."""
    if judged.conformity is None:
        return DASH, DASH
    ratio = judged.conformity.test_uncertainty_ratio
    told = DASH if ratio is None else f"{ratio:.2f}" if ratio < 99.995 else f"{ratio:.0f}"
    return told, risk_text(judged.conformity.specific_risk)


def risk_text(risk: float | None) -> str:
    """A probability in percent to two decimals, without the percent sign."""
    if risk is None:
        return DASH
    return "< 0.01" if risk < 0.00005 else f"{risk * 100:.2f}"


def to_place(value: float, place: int, power_of_ten: int = 0) -> str:
    """`value` times ten to `power_of_ten`, to the digit of weight ten to `place`."""
    return written(round_half_up(exact(value, power_of_ten), place))
