"""Numbers as instruments and people write them.

SCPI-99 and IEEE 488.2: decimal numeric data comes as NR1 (``12``), NR2 (``1.2``) or NR3 (``1.2E+1``); 9.91E37 stands
for "not a number" and 9.9E37 for infinity, which an instrument sends on overload.
"""

import math
import re
from decimal import Decimal

_DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_TYPED = re.compile(r"([+-]?\d*[.,]?\d*)\s*([munkµ]?)([A-Za-z]*)", re.ASCII)
_EXAMPLES = {
    "A": ("current", "1.234 or 340 mA"),
    "W": ("power", "41.3 or 1.2 kW"),
    "V": ("voltage", "230.1"),
    "J": ("energy", "41.3 Wh or 1.204 kWh"),
    "": ("number", "0.98"),
}
_PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "n": 1e-9, "k": 1e3}
_WATT_HOURS = {"Wh": 3600.0}
"""Energy is typed in them, as every display shows it; inside it is in joules."""
_SI = {"deg": (math.pi / 180, "rad")}
OVERLOAD = 9.9e37


def parse_number(reply: str) -> float:
    """The value of a SCPI decimal reply. Raises ValueError when it is none, or means overload or not-a-number."""
    text = reply.strip()
    if not _DECIMAL.fullmatch(text):
        raise ValueError(f"{reply[:40]!r} is not a number")
    value = float(text)
    if abs(value) >= OVERLOAD:
        raise ValueError(f"{text} means overload or not-a-number")
    return value


def parse_typed(text: str, resolution: float, unit: str = "A") -> float:
    """Parse what a person typed, as `typed_value`. Raises ValueError also when it is finer than the display's `resolution` can show."""
    value = typed_value(text, unit)
    steps = value / resolution
    if abs(steps - round(steps)) > 1e-6 * max(1.0, abs(steps)):
        step = f"{plain(resolution / 3600)} Wh" if unit == "J" else f"{plain(resolution)} {unit}".strip()
        raise ValueError(f"{text.strip()!r} has more digits than the display shows (its step is {step})")
    return value


def typed_value(text: str, unit: str = "A") -> float:
    """Parse what a person typed: decimal point or comma, an optional SI prefix, the unit optional (``340 mA``, ``0,34``).

    An energy (J) is typed in watt-hours, with the unit.
    Raises ValueError when it is no number of `unit` (A, W, V, J or none).
    """
    match = _TYPED.fullmatch(text.strip())
    digits = match.group(1).replace(",", ".") if match else ""
    kind, example = _EXAMPLES[unit]
    allowed = _WATT_HOURS if unit == "J" else {"": 1.0, unit: 1.0}
    if match is None or match.group(3) not in allowed or not any(c.isdigit() for c in digits):
        raise ValueError(f"{text.strip()!r} is not a {kind}; type it as the display shows it, such as {example}")
    return float(digits) * _PREFIX[match.group(2)] * allowed[match.group(3)]


def plain(value: float, digits: int = 9) -> str:
    """`value` as a display shows it and as it can be typed, without an exponent: ``4e-05`` -> ``"0.00004"``."""
    return f"{Decimal(f'{value:.{digits}g}'):f}"


def format_current(current: float, unit: str = "A") -> str:
    """A current in amperes, or a voltage in volts, as a range or a load is labelled: ``0.4`` -> ``"400 mA"``."""
    factor, prefix = next((p for p in ((1.0, ""), (1e-3, "m")) if abs(current) >= p[0]), (1e-6, "u"))
    return f"{current / factor:.4g} {prefix}{unit}"


def format_time(seconds: float) -> str:
    """A time as a person reads it: ``100`` -> ``"100 s"``, ``180`` -> ``"3 min"``, ``7200`` -> ``"2 h"``."""
    factor, unit = next((u for u in ((3600.0, "h"), (60.0, "min")) if seconds >= 2 * u[0]), (1.0, "s"))
    return f"{seconds / factor:.3g} {unit}"


def in_si(value: float, unit: str) -> tuple[float, str]:
    """A value and its unit, converted to SI for the record."""
    factor, si = _SI.get(unit, (1.0, unit))
    return value * factor, si
