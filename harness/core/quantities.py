"""Text with units to plain SI floats and back, in the one place where pint is used.

Everywhere else a quantity is a float in SI units whose name or docstring says which. The types of quantities at the end
also say what a meter, an instrument or a bench of this kind can have: a slip of a digit or a prefix is doubted by name.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, BeforeValidator

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
        ("A^2 s", "A^2 s", 1.0), ("A2s", "A^2 s", 1.0), ("A²s", "A^2 s", 1.0), ("A² s", "A^2 s", 1.0),
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
    if unit == "m^2" and unit_text in ("mm2", "mm²"):
        unit_text = "mm^2"
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


@dataclass(frozen=True)
class Plausible:
    """Reads a quantity from `low` to `high`, both included, in SI units; `span` says so for a person."""

    unit: str
    low: float
    high: float
    span: str

    def __call__(self, value: object) -> float:
        """The SI value of `value`. Raises ValueError."""
        number = parse_quantity(value, self.unit)
        if number < 0 <= self.low or (number == 0 and self.low > 0):
            raise ValueError(f"found {shortened(value)}, expected a value above zero ({self.span})")
        if not self.low <= number <= self.high:
            raise ValueError(f"found {shortened(value)}, expected a plausible value: {self.span}")
        return number


def _quantity(unit: str, low: float, high: float, span: str) -> BeforeValidator:
    return BeforeValidator(Plausible(unit, low, high, span))


# Bounds: common practice, no published source. They are wide, since what they are for is a slip of the pen.
Current = Annotated[float, _quantity("A", 1e-12, 1e5, "1 pA to 100 kA")]
Voltage = Annotated[float, _quantity("V", 1e-9, 1e6, "1 nV to 1 MV")]
Resistance = Annotated[float, _quantity("ohm", 1e-6, 1e4, "1 uohm to 10 kohm")]
TimeOnLimit = Annotated[float, _quantity("s", 1.0, 86400.0, "1 s to 24 h")]
PulseDuration = Annotated[float, _quantity("s", 1e-6, 60.0, "1 us to 60 s")]
Duration = Annotated[float, _quantity("s", 1e-4, 3600.0, "0.1 ms to 1 h")]
Frequency = Annotated[float, _quantity("Hz", 10.0, 1000.0, "10 Hz to 1 kHz")]
FrequencyOrDirect = Annotated[float, _quantity("Hz", 0.0, 1000.0, "0 Hz (direct current) to 1 kHz")]
Fraction = Annotated[float, _quantity("", 0.0, 100.0, "0 % to 10000 %")]
SignedFraction = Annotated[float, _quantity("", -100.0, 100.0, "-10000 % to 10000 %")]
RelativeError = Annotated[float, _quantity("", 0.0, 0.2, "0 % to 20 % for an error or an uncertainty of this kind")]
SignedRelativeError = Annotated[float, _quantity("", -0.2, 0.2, "-20 % to 20 % for an error of this kind")]
Humidity = Annotated[float, _quantity("", 0.0, 1.0, "0 % to 100 % relative humidity")]
CelsiusTemperature = Annotated[float, _quantity("degC", -40.0, 70.0, "-40 degC to 70 degC where people measure")]
Power = Annotated[float, _quantity("W", 1e-9, 1e8, "1 nW to 100 MW")]
Energy = Annotated[float, _quantity("J", 1e-6, 1e12, "1 uJ to 1 TJ")]
Angle = Annotated[float, _quantity("rad", 0.0, math.pi / 2, "0 deg to 90 deg")]
Length = Annotated[float, _quantity("m", 1e-4, 1e3, "0.1 mm to 1 km")]
CrossSection = Annotated[float, _quantity("m^2", 1e-9, 1e-2, "0.001 mm^2 to 10000 mm^2")]
Inductance = Annotated[float, _quantity("H", 1e-6, 1e6, "1 uH to 1 MH")]
Conductance = Annotated[float, _quantity("S", 0.0, 1e6, "0 S to 1 MS")]
SignedAngle = Annotated[float, _quantity("rad", -math.pi / 2, math.pi / 2, "-90 deg to 90 deg")]
FractionPerKelvin = Annotated[float, _quantity("1/K", 0.0, 0.01, "0 %/K to 1 %/K")]
FractionPerYear = Annotated[float, _quantity("1/year", 0.0, 0.2, "0 %/year to 20 %/year")]
JouleIntegral = Annotated[float, _quantity("A^2 s", 1e-12, 1e9, "1e-12 A^2 s to 1e9 A^2 s")]
KelvinPerWatt = Annotated[float, _quantity("K/W", 0.0, 1e4, "0 K/W to 10000 K/W")]

_PLAIN_NAME = re.compile(r"\w[\w .-]{0,59}")
_DEVICE_OF_WINDOWS = re.compile(r"(CON|PRN|AUX|NUL|(COM|LPT)[0-9¹²³])(\..*)?", re.IGNORECASE)
"""Names of devices, with an extension too ("Naming Files, Paths, and Namespaces", learn.microsoft.com)."""


def _plain_name(name: str) -> str:
    if not _PLAIN_NAME.fullmatch(name):
        raise ValueError(
            f"found {shortened(name)}, expected a name of up to 60 letters, digits, blanks, points and hyphens: files are named after it"
        )
    if _DEVICE_OF_WINDOWS.fullmatch(name):
        raise ValueError(
            f"found {name!r}, expected another name: files are named after it, and under Windows it is a device"
        )
    return name


PlainName = Annotated[str, AfterValidator(_plain_name)]
"""A name that files are called by, so that no file is looked for or written anywhere else than where it belongs."""

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
