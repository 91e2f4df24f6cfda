"""A value with its uncertainty as the terminal says it, rounded as on the certificate."""

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import WATT_HOUR, format_percent, format_quantity
from harness.core.rounding import current_pair, exact, for_terminal, round_pair, written
from harness.results import EffectiveTurns, Stated


def stated_text(found: Stated | EffectiveTurns, unit: str = "") -> str:
    """`found` with its expanded uncertainty, as `with_uncertainty`."""
    return with_uncertainty(found.value, found.expanded_uncertainty, unit)


def with_uncertainty(value: float, expanded_uncertainty: float, unit: str = "") -> str:
    """Both in one unit and to the same place: `(+0.123 ± 0.045) %` of a fraction, `(+3.4 ± 1.2)'` of an angle in radians,
    `(20.01 ± 0.12) mA` (also W; of joules watt-hours), `4.0012 ± 0.0034` without a unit.
    """
    if unit == "J":
        return with_uncertainty(value / WATT_HOUR, expanded_uncertainty / WATT_HOUR, "Wh")
    if not expanded_uncertainty:
        return _alone(value, unit)
    if unit in ("A", "W", "Wh"):
        return for_terminal(current_pair(value, expanded_uncertainty, unit))
    factor = MINUTES_PER_RADIAN if unit == "'" else 1.0
    places = 2 if unit == "%" else 0
    found, spread = round_pair(exact(value * factor, places), exact(expanded_uncertainty * factor, places))
    sign = "+" if unit and found > 0 else ""
    pair = for_terminal(f"{sign}{written(found)} ± {written(spread)}")
    return f"({pair}){' %' if unit == '%' else unit}" if unit else pair


def _alone(value: float, unit: str) -> str:
    if unit == "%":
        return format_percent(value)
    if unit == "'":
        return f"{value * MINUTES_PER_RADIAN:+.1f}'"
    return format_quantity(value, unit) if unit in ("A", "W", "Wh") else f"{value:.6g}"
