"""Rounding against the GUM's own examples and against what rounding must mean."""

import math
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.core import rounding

values = st.floats(min_value=-1e9, max_value=1e9, allow_nan=False)
uncertainties = st.floats(min_value=1e-9, max_value=1e9)


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        # GUM 7.2.6: y = 10.057 62 ohm with u = 27 milliohm is reported as 10.058 ohm
        (10.05762, 0.027, ("10.058", "0.027")),
        # GUM 7.2.2: 100.021 47 g with u = 0.35 mg
        (100.02147, 0.00035, ("100.02147", "0.00035")),
        # GUM 7.2.4: U = 0.79 mg at the same mass
        (100.02147, 0.00079, ("100.02147", "0.00079")),
        # GUM 7.2.6: 28.05 kHz is rounded down to 28 kHz
        (1234.5, 28.05, ("1235", "28")),
        # the GUM lets 10.47 milliohm be rounded up to 11 "sometimes"; half up gives 10, which is 4.5 % low
        (1.0, 10.47, ("1", "10")),
        # carry: the second digit rounds over into a new first digit
        (1.23456, 0.0996, ("1.23", "0.10")),
        (1.23456, 0.996, ("1.2", "1.0")),
        (5.0, 99.6, ("10", "100")),
        # no negative zero
        (-0.004, 0.12, ("0.00", "0.12")),
        # halves away from zero, on both sides, where binary floats lie a little lower
        (1.005, 0.10, ("1.01", "0.10")),
        (-1.005, 0.10, ("−1.01", "0.10")),
        (2.675, 0.125, ("2.68", "0.13")),
        (4000.0, 1250.0, ("4000", "1300")),
    ],
)
def test_pairs_round_as_the_guide_reports_them(value: float, uncertainty: float, expected: tuple[str, str]) -> None:
    pair = rounding.round_pair(rounding.exact(value), rounding.exact(uncertainty))
    assert tuple(rounding.written(p) for p in pair) == expected


@given(values, uncertainties)
def test_value_ends_at_the_place_of_its_uncertainty_and_is_at_most_half_a_step_away(
    value: float, uncertainty: float
) -> None:
    printed, spread = rounding.round_pair(Decimal(repr(value)), Decimal(repr(uncertainty)))
    step = Decimal(1).scaleb(int(printed.as_tuple().exponent))
    assert printed.as_tuple().exponent == spread.as_tuple().exponent
    assert abs(printed - Decimal(repr(value))) <= step / 2
    assert abs(spread - Decimal(repr(uncertainty))) <= step / 2
    assert 10 <= spread / step <= 99


@given(uncertainties)
def test_an_uncertainty_never_loses_more_than_five_percent(uncertainty: float) -> None:
    """EA-4/02 M on rounding U: round up where rounding would lower it by more than 5 % (value from memory)."""
    _, spread = rounding.round_pair(Decimal(0), Decimal(repr(uncertainty)))
    assert float(spread) >= 0.95 * uncertainty


@given(values, uncertainties)
@example(0.5, 9.96875)
def test_text_reads_back_as_the_number_printed(value: float, uncertainty: float) -> None:
    text, shown = rounding.plus_minus(value, uncertainty).split(f"{rounding.NO_BREAK}±{rounding.NO_BREAK}")
    assert "-" not in text
    number = Decimal(text.replace("−", "-"))
    assert not (number.is_zero() and number.is_signed())
    # Half a step: at most a twentieth of what is shown as the uncertainty, which 9.97 rounded to 10 is more than of 9.97.
    assert math.isclose(float(number), value, abs_tol=float(shown) * 0.05 + 1e-12, rel_tol=1e-12)


@given(values.filter(lambda v: v != 0 and abs(v) > 1e-8), st.floats(min_value=1e-8, max_value=100.0))
@example(0.5, 9.96875)
def test_a_current_and_its_uncertainty_share_one_unit(value: float, uncertainty: float) -> None:
    text = rounding.current_pair(value, uncertainty)
    inside, unit = text.rsplit(rounding.NO_BREAK, 1)
    shown = [
        float(part.replace("−", "-")) for part in inside.strip("()").split(f"{rounding.NO_BREAK}±{rounding.NO_BREAK}")
    ]
    factor = {"kA": 1e3, "A": 1.0, "mA": 1e-3, "µA": 1e-6, "nA": 1e-9}[unit]
    assert math.isclose(shown[0] * factor, value, abs_tol=shown[1] * factor * 0.05 + 1e-15, rel_tol=1e-12)
    assert math.isclose(shown[1] * factor, uncertainty, rel_tol=0.05)


@pytest.mark.parametrize(
    ("amperes", "expected"),
    # prefixes of the SI brochure, 9th edition, table 7
    [
        (80.0, "80 A"),
        (0.02, "20 mA"),
        (0.0003, "300 µA"),
        (0.99996, "1 A"),
        (1500.0, "1.5 kA"),
        (0.0, "0 A"),
        (-0.4, "−400 mA"),
        (2e-9, "2 nA"),
        (12.34567, "12.35 A"),
    ],
)
def test_currents_take_the_prefix_that_suits_them(amperes: float, expected: str) -> None:
    assert rounding.current(amperes) == expected.replace(" ", rounding.NO_BREAK)


def test_a_current_far_below_its_uncertainty_is_written_in_the_unit_of_the_uncertainty() -> None:
    assert rounding.current_pair(0.00003, 0.0021) == "(0.0 ± 2.1) mA".replace(" ", rounding.NO_BREAK)


def test_a_zero_at_the_end_is_a_digit_of_what_was_measured_and_none_of_a_claim() -> None:
    """GUM 7.2.6: an uncertainty of two significant digits shows both. A claim reads as it was written."""
    assert rounding.percent(0.002) == "0.20 %".replace(" ", rounding.NO_BREAK)
    assert rounding.percent(0.0125, 4) == "1.250 %".replace(" ", rounding.NO_BREAK)
    assert rounding.claimed_percent(0.002) == "0.2 %".replace(" ", rounding.NO_BREAK)
    assert rounding.claimed_percent(0.010254) == "1.025 %".replace(" ", rounding.NO_BREAK)


@given(st.decimals(1, 1000, places=6), st.decimals("0.001", 1000, places=6))
def test_what_stands_beside_a_limit_ends_at_its_third_digit(value: Decimal, limit: Decimal) -> None:
    shown, beside = rounding.beside_limit(value, limit), rounding.beside_limit(limit, limit)
    assert Decimal(shown).as_tuple().exponent == Decimal(beside).as_tuple().exponent
    assert abs(Decimal(beside) / limit - 1) <= Decimal("0.005")


@pytest.mark.parametrize("uncertainty", [0.0, -0.1])
def test_an_uncertainty_must_be_above_zero(uncertainty: float) -> None:
    with pytest.raises(ValueError, match="expected a number above zero"):
        rounding.plus_minus(1.0, uncertainty)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_never_printed(number: float) -> None:
    with pytest.raises(ValueError, match="expected a finite number"):
        rounding.plus_minus(number, 0.1)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("the worst is -50.4 % at 0.1 A", "the worst is −50.4 % at 0.1 A"),
        ("(-3 A)", "(−3 A)"),
        ("-.5", "−.5"),
        ("on 2026-02-01", "on 2026-02-01"),
        ("CAL-25-0193", "CAL-25-0193"),
        ("ISO/IEC 17025:2017-7", "ISO/IEC 17025:2017-7"),
        ("--override", "--override"),
        ("1e-3", "1e-3"),
    ],
)
def test_only_negative_numbers_get_a_minus_sign(text: str, expected: str) -> None:
    assert rounding.true_minus(text) == expected
