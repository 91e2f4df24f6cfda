"""How values are rounded and written, on certificate and terminal alike.

An expanded uncertainty is rounded half up to two significant digits and its value to the same place (GUM, JCGM
100:2008, 7.2.2 and 7.2.6). Half up at two digits never lowers an uncertainty by more than 5 %. Floats are taken at
their shortest decimal form, so that what a person reads in the data file is what gets rounded.
"""

import math
import re
from decimal import ROUND_HALF_UP, Context, Decimal

MINUS = "\N{MINUS SIGN}"
NO_BREAK = "\N{NO-BREAK SPACE}"

_SIGNIFICANT_DIGITS = 2
_CONTEXT = Context(prec=60)
_PREFIXES = {3: "k", 0: "", -3: "m", -6: "µ", -9: "n"}


def exact(value: float, power_of_ten: int = 0) -> Decimal:
    """`value` times ten to `power_of_ten`, without binary residue. Raises ValueError unless finite."""
    if not math.isfinite(value):
        raise ValueError(f"found {value} to print, expected a finite number")
    return Decimal(repr(float(value))).scaleb(power_of_ten, _CONTEXT)


def round_half_up(value: Decimal, place: int) -> Decimal:
    """`value` to the digit of weight ten to `place`, halves away from zero; never a negative zero."""
    rounded = value.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_UP, context=_CONTEXT)
    return abs(rounded) if rounded.is_zero() else rounded


def last_place(uncertainty: Decimal, digits: int = _SIGNIFICANT_DIGITS) -> int:
    """Power of ten of the last significant digit after any carry (0.0996 becomes 0.10: place -2). Raises ValueError unless above zero."""
    if uncertainty <= 0:
        raise ValueError(f"found uncertainty {uncertainty}, expected a number above zero")
    place = uncertainty.adjusted() - digits + 1
    return round_half_up(uncertainty, place).adjusted() - digits + 1


def round_pair(value: Decimal, uncertainty: Decimal) -> tuple[Decimal, Decimal]:
    """The value at the uncertainty's last place and the uncertainty at two significant digits."""
    place = last_place(uncertainty)
    return round_half_up(value, place), round_half_up(uncertainty, place)


def round_significant(value: Decimal, digits: int = _SIGNIFICANT_DIGITS) -> Decimal:
    """`value` half up to `digits` significant digits; zero stays zero."""
    return abs(value) if value.is_zero() else round_half_up(value, last_place(abs(value), digits))


def written(number: Decimal) -> str:
    """`number` with all its digits, no exponent, and a true minus sign."""
    return f"{number:f}".replace("-", MINUS)


def trimmed(number: Decimal) -> str:
    """`number` as `written`, without trailing zeros behind the point."""
    text = written(number)
    return text.rstrip("0").rstrip(".") if "." in text else text


def true_minus(text: str) -> str:
    """`text` with the hyphen before each negative number made a minus sign; dates and options stay as they are."""
    return re.sub(r"(?<![\w.,:/-])-(?=\.?\d)", MINUS, text)


def with_standard(value: Decimal, uncertainty: Decimal, unit: str = "") -> str:
    """A value with its standard uncertainty: `1.00120, u = 0.00021` (± is kept for expanded ones, GUM 7.2.2)."""
    rounded = round_pair(value, uncertainty)
    behind = f"{NO_BREAK}{unit}" if unit else ""
    return f"{written(rounded[0])}{behind}, u{NO_BREAK}={NO_BREAK}{written(rounded[1])}{behind}"


def percent(fraction: float, digits: int = _SIGNIFICANT_DIGITS) -> str:
    """A fraction in percent to `digits` significant digits, zeros at the end too, with the percent sign: `0.20 %`."""
    return f"{written(round_significant(exact(fraction, 2), digits))}{NO_BREAK}%"


def claimed_percent(limit: float) -> str:
    """A limit, a fraction, in percent as a claim states it: to at most four significant digits, without zeros at the end."""
    return f"{trimmed(round_significant(exact(limit, 2), 4))}{NO_BREAK}%"


def beside_limit(value: Decimal, limit: Decimal) -> str:
    """`value` to the third significant digit of its `limit`, so that what has one limit, and the limit itself, is to one place."""
    return written(round_half_up(value, last_place(limit, 3)))


def signed_percent(fraction: float, limit: float | None = None) -> str:
    """An error of unknown uncertainty, a fraction, in percent with its sign: `+0.123 %`.

    To three significant digits: of its `limit`, where it has one, so that errors with one limit are to one place.
    """
    error, of = exact(fraction, 2), exact(limit or abs(fraction), 2)
    rounded = error if of.is_zero() else round_half_up(error, last_place(of, 3))
    return f"{'+' if rounded > 0 else ''}{written(rounded)}{NO_BREAK}%"


def plus_minus(value: float, uncertainty: float) -> str:
    """A number without unit and its uncertainty: `4.0012 ± 0.0034`."""
    rounded = round_pair(exact(value), exact(uncertainty))
    return f"{written(rounded[0])}{NO_BREAK}±{NO_BREAK}{written(rounded[1])}"


def for_terminal(text: str) -> str:
    """`text` with the hyphen and the blank of every terminal, for the same numbers as on the certificate."""
    return text.replace(NO_BREAK, " ").replace(MINUS, "-")


def power_factor(value: float) -> str:
    """A power factor in words: `1`, `0.5 lagging`, and `0.8 leading` for a negative one."""
    size = trimmed(round_half_up(exact(abs(value)), -3))
    return size if abs(value) > 0.9995 else f"{size} {'lagging' if value > 0 else 'leading'}"


def current_exponent(current: float) -> int:
    """Power of ten of the SI prefix that suits `current` amperes: 0 for 1 A to below 1000 A, -3 below that, ..."""
    magnitude = exact(abs(current))
    if magnitude.is_zero():
        return 0
    return max(-9, min(3, 3 * (magnitude.adjusted() // 3)))


def current_unit(exponent: int, unit: str = "A") -> str:
    """The unit symbol for a prefix exponent from `current_exponent`."""
    return f"{_PREFIXES[exponent]}{unit}"


def current(amperes: float, digits: int = 4, unit: str = "A") -> str:
    """A current (or what else is counted in `unit`) with SI prefix to `digits` significant digits: `20 mA`."""
    # rounded before the prefix is chosen, so that 0.99996 A is 1 A and not 1000 mA
    rounded = round_significant(exact(amperes), digits)
    exponent = current_exponent(float(rounded))
    return f"{trimmed(rounded.scaleb(-exponent))}{NO_BREAK}{current_unit(exponent, unit)}"


def current_pair(amperes: float, uncertainty: float, unit: str = "A") -> str:
    """A current (or what else is counted in `unit`) with its uncertainty, both under one prefix: `(20.013 ± 0.021) mA`."""
    value, spread = round_pair(exact(amperes), exact(uncertainty))
    exponent = current_exponent(float(max(abs(value), spread)))
    parts = (written(part.scaleb(-exponent)) for part in (value, spread))
    return f"({f'{NO_BREAK}±{NO_BREAK}'.join(parts)}){NO_BREAK}{_PREFIXES[exponent]}{unit}"


def probability(found: float) -> str:
    """A probability in percent to one decimal, with the percent sign; never 100 %."""
    if found < 0.001:
        return f"below 0.1{NO_BREAK}%"
    if found > 0.999:
        return f"above 99.9{NO_BREAK}%"
    return f"{found * 100:.1f}{NO_BREAK}%"
