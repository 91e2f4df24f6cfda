"""Values typed as a display shows them: the unit says the quantity, the last digit the step."""

import re
from collections.abc import Sequence
from decimal import Decimal

from harness.core.errors import UserError
from harness.core.quantities import has_unit, parse_quantity, shortened
from harness.verified_meter.corrected_readings import CURRENT, ENERGY, FACTOR, POWER, ShownTogether
from harness.verified_meter.measured_quantity import DisplayedValue

_UNITS = ((CURRENT, "A"), (POWER, "W"), (ENERGY, "J"))
_BARE = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*", re.ASCII)
_WRITTEN = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*([^\s\d.eE].*)", re.ASCII)
_APPARENT = re.compile(r"VA\s*$", re.IGNORECASE)


def shown_together(texts: Sequence[str], over: str | None) -> ShownTogether:
    """Values shown of one load, and the time of its energy. Raises UserError."""
    values: dict[str, tuple[DisplayedValue, ...]] = {}
    for text in texts:
        quantity, value = shown_value(text)
        values[quantity] = (*values.get(quantity, ()), value)
    return ShownTogether(values, None if over is None else _written(over, "s", "--over"))


def shown_value(text: str) -> tuple[str, DisplayedValue]:
    """The quantity that is shown, its value, and the step of its last digit. Raises UserError."""
    if bare := _BARE.fullmatch(text):
        value = float(bare[1])
        # Whoever forgets the unit of a current types no more than 1 now and then; the current that is missing tells.
        if not 0 < value <= 1:
            raise UserError(
                f'--shows: found {shortened(text)} without a unit, expected such as "0.120 A", or a power factor from 0 to 1'
            )
        return FACTOR, DisplayedValue(value, _step(bare[1]))
    found = next((pair for pair in _UNITS if has_unit(text, pair[1])), _UNITS[0])
    if found[0] == POWER and _APPARENT.search(text):
        raise UserError(f"--shows: found {shortened(text)}, expected active power in watts")
    return found[0], _written(text, found[1], "--shows")


def _written(text: str, unit: str, option: str) -> DisplayedValue:
    written = _WRITTEN.fullmatch(text)
    try:
        value = parse_quantity(text, unit)
        if written is None or value <= 0:
            raise ValueError(f"found {text!r}, expected a value above zero in plain digits, as the display shows it")
        of_unit = parse_quantity(f"1 {written[2]}", unit)
    except ValueError as failure:
        raise UserError(f"{option}: {failure}") from None
    return DisplayedValue(value, of_unit * _step(written[1]))


def _step(digits: str) -> float:
    return float(10.0 ** int(Decimal(digits).as_tuple().exponent))
