"""Text with units to plain SI floats and back, in the one place where pint is used.

Everywhere else a quantity is a float in SI units whose name or docstring says which.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pint

EXAMPLES = {
    "A": "20 mA",
    "V": "230 V",
    "ohm": "0.1 ohm",
    "s": "500 ms",
    "Hz": "50 Hz",
    "": "0.10 %",
    "degC": "23 degC",
    "m^2": "1.5 mm^2",
    "H": "90 H",
    "1/K": "0.005 %/K",
    "T": "0.8 T",
    "m": "80 mm",
    "1/year": "0.01 %/year",
    "W": "4 kW",
    "J": "1 Wh",
    "rad": "0.05 deg",
    "S": "3 kS",
    "K/W": "8 K/W",
    "A^2 s": "0.5 A^2 s",
}


WATT_HOUR = 3600.0
"""Joules."""

_AS_WRITTEN = {"mm2": "mm^2", "mm²": "mm^2", "A2s": "A^2 s", "A²s": "A^2 s", "A² s": "A^2 s"}
"""How people and data sheets write units with a power, and how pint does."""

_BASE_UNITS = ("A", "V", "ohm", "s", "Hz", "W", "J", "H", "S", "T", "m")
"""Base units, no two of one dimension."""
_FACTORS = {
    (prefix + unit, unit): factor
    for unit in (*_BASE_UNITS, "rad")
    for prefix, factor in {"n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}.items()
} | {
    (unit_text, unit): factor
    for unit_text, unit, factor in (
        ("percent", "", 1e-2), ("ppm", "", 1e-6), ("percent/K", "1/K", 1e-2), ("ppm/K", "1/K", 1e-6),
        ("percent/year", "1/year", 1e-2), ("ppm/year", "1/year", 1e-6), ("min", "s", 60.0), ("h", "s", 3600.0),
        ("Wh", "J", WATT_HOUR), ("kWh", "J", 1000 * WATT_HOUR), ("deg", "rad", math.pi / 180), ("arcmin", "rad", 2.9088820866572163e-4),
        ("degC", "degC", 1.0), ("mm^2", "m^2", 1e-6), ("K/W", "K/W", 1.0),
        ("A^2 s", "A^2 s", 1.0),
    )
}  # fmt: skip
"""Factors of the usual units, so that pint, which takes longer to start than most commands to run, is there for all others."""


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    return registry


def _by_pint(magnitude: float, unit_text: str, unit: str) -> float:
    return float(_registry().Quantity(magnitude, unit_text).to(unit or "dimensionless").magnitude)


def parse_quantity(text: object, unit: str) -> float:
    """The SI value of `text` (such as ``"20 mA"``) in `unit` (a pint unit; ``""`` for a part of something, in % or ppm).

    Raises ValueError saying what was found and what is expected: a bare number (``1`` for one percent would be a hundred),
    a wrong dimension, an unknown unit, a value that is not finite.
    """
    example = f'such as "{EXAMPLES.get(unit, unit)}"'
    expected = f"a text with its unit, {example}"
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"found {shortened(text)}, expected {expected}")
    if isinstance(text, int | float):
        raise ValueError(f"found {shortened(text)} without a unit, expected {expected}")
    if _COMMA.match(text.strip()):
        raise ValueError(f"found {shortened(text)}, expected a decimal point instead of the comma, {example}")
    number, _, unit_text = text.strip().partition(" ")
    try:
        magnitude = float(number)
    except ValueError:
        number, unit_text = _split(text.strip())
        try:
            magnitude = float(number)
        except ValueError:
            raise ValueError(f"found {shortened(text)}, expected {expected}") from None
    unit_text = unit_text.strip().replace("%", "percent").replace("°C", "degC").replace("Ω", "ohm")
    unit_text = _AS_WRITTEN.get(unit_text, unit_text)
    # An angle is no part of anything.
    if not unit_text or (unit == "rad" and unit_text == "percent"):
        raise ValueError(f"found {shortened(text)} without a unit, expected {expected}")
    try:
        factor = _FACTORS.get((unit_text, unit))
        if factor is None and unit in _BASE_UNITS and any((unit_text, other) in _FACTORS for other in _BASE_UNITS):
            raise ValueError("of another dimension")
        # pint would work out any expression, also one that takes it for ever.
        if factor is None and not _UNIT.fullmatch(unit_text):
            raise ValueError("not defined")
        value = magnitude * factor if factor is not None else _by_pint(magnitude, unit_text, unit)
    except Exception as failure:  # noqa: BLE001  pint raises several unrelated types for a bad unit
        reason = "unknown unit" if "not defined" in str(failure) else "wrong kind of unit"
        raise ValueError(f"found {shortened(text)} ({reason}), expected {expected}") from None
    if not math.isfinite(value):
        raise ValueError(f"found {shortened(text)}, expected a finite value")
    return value


def has_unit(text: object, unit: str) -> bool:
    """Whether `text` is a quantity in `unit` or a multiple of it."""
    try:
        parse_quantity(text, unit)
    except ValueError:
        return False
    return True


_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d", re.ASCII)
_UNIT = re.compile(r"(1|[^\W\d]+(\^[1-3])?)(/[^\W\d]+(\^[1-3])?)*")


def _split(text: str) -> tuple[str, str]:
    """Number and unit of a text written without a space between them ("20mA")."""
    match = _NUMBER.match(text)
    return (match.group(), text[match.end() :]) if match else ("", text)


def shortened(found: object) -> str:
    """A text found in a file, shortened for a line."""
    try:
        text = repr(found)
    except ValueError:
        # Python writes out no integer of more than 4300 digits.
        return "an integer of thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."


_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """`value` in `unit` with an SI prefix and `digits` significant digits: ``0.02, "A"`` -> ``"20 mA"``."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}"
    factor, prefix = next((p for p in _PREFIXES if abs(value) >= p[0] * 0.9999995), _PREFIXES[-1])
    return f"{value / factor:.{digits}g} {prefix}{unit}"


def format_percent(fraction: float | None, form: str = "+.3f") -> str:
    """A fraction in percent, by the format specification `form`: ``-0.00123`` -> ``"-0.123 %"``; empty where it is not known."""
    return "" if fraction is None else f"{fraction * 100:{form}} %"


def format_duration(seconds: float) -> str:
    """A duration to the second: ``50`` -> ``"50 s"``, ``393`` -> ``"6 min 33 s"``, ``7380`` -> ``"2 h 3 min"``."""
    minutes, left = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {left} s" if minutes else f"{left} s"


def format_seconds(seconds: float) -> str:
    """Seconds as a person reads them; ``for ever`` when nothing ends them."""
    if math.isinf(seconds):
        return "for ever"
    if seconds >= 60:
        return f"{seconds / 60:.3g} min"
    return format_quantity(seconds, "s", 3)


def signed_text(power_factor: float) -> str:
    """A power factor in words: ``1``, ``0.5 lagging``, ``0.8 leading``."""
    if abs(power_factor) == 1:
        return "1"
    return f"{abs(power_factor):g} {'lagging' if power_factor > 0 else 'leading'}"
