"""Text with units to plain SI floats and back, in the one place where pint is used.

Everywhere else a quantity is a float in SI units whose name or docstring says which.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator

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
}


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    return registry


def parse_quantity(text: object, unit: str) -> float:
    """The SI value of `text` (such as ``"20 mA"``) in `unit` (a pint unit; ``""`` for a pure number).

    Raises ValueError saying what was found and what is expected: a bare number where a unit is due,
    a wrong dimension, an unknown unit, a value that is not finite.
    """
    expected = f'a text with its unit, such as "{EXAMPLES.get(unit, unit)}"'
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"found {text!r}, expected {expected}")
    if isinstance(text, int | float):
        if unit == "":
            return _finite(float(text), text)
        raise ValueError(f"found {text!r} without a unit, expected {expected}")
    number, _, unit_text = text.strip().partition(" ")
    try:
        magnitude = float(number)
    except ValueError:
        number, unit_text = _split(text.strip())
        try:
            magnitude = float(number)
        except ValueError:
            raise ValueError(f"found {text!r}, expected {expected}") from None
    unit_text = unit_text.strip().replace("%", "percent").replace("°C", "degC").replace("Ω", "ohm")
    if unit == "m^2" and unit_text == "mm2":
        unit_text = "mm^2"
    # "1" for one percent would be a hundred; and an angle is no part of anything.
    if (unit == "" and not unit_text) or (unit == "rad" and unit_text == "percent"):
        raise ValueError(f"found {text!r} without its unit, expected {expected}")
    if unit and not unit_text:
        raise ValueError(f"found {text!r} without a unit, expected {expected}")
    try:
        quantity = _registry().Quantity(magnitude, unit_text)
        value = quantity.to(unit or "dimensionless").magnitude
    except Exception as failure:  # noqa: BLE001  pint raises several unrelated types for a bad unit
        reason = "unknown unit" if "not defined" in str(failure) else "wrong kind of unit"
        raise ValueError(f"found {text!r} ({reason}), expected {expected}") from None
    return _finite(float(value), text)


_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def _split(text: str) -> tuple[str, str]:
    """Number and unit of a text written without a space between them ("20mA")."""
    match = _NUMBER.match(text)
    return (match.group(), text[match.end() :]) if match else ("", text)


def _finite(value: float, found: object) -> float:
    if not math.isfinite(value):
        raise ValueError(f"found {found!r}, expected a finite value")
    return value


def _quantity(unit: str, *, positive: bool = True, zero: bool = False) -> BeforeValidator:
    def parse(value: object) -> float:
        number = parse_quantity(value, unit)
        if positive and (number < 0 or (number == 0 and not zero)):
            raise ValueError(f"found {value!r}, expected a value above zero")
        return number

    return BeforeValidator(parse)


Current = Annotated[float, _quantity("A")]
Voltage = Annotated[float, _quantity("V")]
Resistance = Annotated[float, _quantity("ohm")]
Duration = Annotated[float, _quantity("s")]
Frequency = Annotated[float, _quantity("Hz")]
Fraction = Annotated[float, _quantity("", zero=True)]
SignedFraction = Annotated[float, _quantity("", positive=False)]
CelsiusTemperature = Annotated[float, _quantity("degC", positive=False)]
Power = Annotated[float, _quantity("W")]
Energy = Annotated[float, _quantity("J")]
Angle = Annotated[float, _quantity("rad", zero=True)]
Length = Annotated[float, _quantity("m")]
CrossSection = Annotated[float, _quantity("m^2")]
Inductance = Annotated[float, _quantity("H")]
Conductance = Annotated[float, _quantity("S", zero=True)]
SignedAngle = Annotated[float, _quantity("rad", positive=False)]
FractionPerKelvin = Annotated[float, _quantity("1/K", zero=True)]
FractionPerYear = Annotated[float, _quantity("1/year", zero=True)]

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """`value` in `unit` with an SI prefix and `digits` significant digits: ``0.02, "A"`` -> ``"20 mA"``."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}"
    factor, prefix = next((p for p in _PREFIXES if abs(value) >= p[0] * 0.9999995), _PREFIXES[-1])
    return f"{value / factor:.{digits}g} {prefix}{unit}"


def format_percent(fraction: float, digits: int = 3) -> str:
    """A fraction as signed percent: ``-0.00123`` -> ``"-0.123 %"``."""
    return f"{fraction * 100:+.{digits}f} %"


def format_duration(seconds: float) -> str:
    """A duration to the second: ``50`` -> ``"50 s"``, ``393`` -> ``"6 min 33 s"``, ``7380`` -> ``"2 h 3 min"``."""
    minutes, left = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {left} s" if minutes else f"{left} s"
