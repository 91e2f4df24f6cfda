"""Values as they are typed: the unit says the quantity, the digits the step."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.shown_values import shown_together, shown_value
from harness.core.errors import UserError
from harness.verified_meter.corrected_readings import CURRENT, ENERGY, FACTOR, POWER

UNITS = {"A": (CURRENT, 1.0), "mA": (CURRENT, 1e-3), "W": (POWER, 1.0), "kW": (POWER, 1e3), "Wh": (ENERGY, 3600.0), "kWh": (ENERGY, 3.6e6)}  # fmt: skip


@given(digits=st.integers(1, 99999), places=st.integers(0, 4), unit=st.sampled_from(sorted(UNITS)))
def test_the_last_digit_written_is_the_step(digits: int, places: int, unit: str) -> None:
    text = f"{digits / 10**places:.{places}f} {unit}"
    quantity, factor = UNITS[unit]
    found, value = shown_value(text)
    assert found == quantity
    assert value.displayed == pytest.approx(digits * 10.0**-places * factor)
    assert value.step == pytest.approx(10.0**-places * factor)


@given(digits=st.integers(1, 1000))
def test_a_number_alone_is_a_power_factor(digits: int) -> None:
    quantity, value = shown_value(f"{digits / 1000:.3f}")
    assert (quantity, value.step) == (FACTOR, pytest.approx(0.001))
    assert value.displayed == pytest.approx(digits / 1000)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12", "found '12' without a unit"),
        ("0", "found '0' without a unit"),
        ("27 VA", "expected active power in watts"),
        ("27 var", "unknown unit"),
        ("230 V", "wrong kind of unit"),
        ("-3 W", "expected a value above zero in plain digits"),
        ("1e3 W", "expected a value above zero in plain digits"),
    ],
)
def test_what_is_no_reading_is_refused(text: str, expected: str) -> None:
    with pytest.raises(UserError, match=expected):
        shown_value(text)


def test_readings_of_one_load_are_kept_by_quantity() -> None:
    found = shown_together(["0.120 A", "0.95", "0.121 A", "26.4 W", "52.8 Wh"], "2.00 h")
    assert [len(found.of(name)) for name in (CURRENT, POWER, FACTOR, ENERGY)] == [2, 1, 1, 1]
    assert found.seconds is not None
    assert (found.seconds.displayed, found.seconds.step) == (7200.0, pytest.approx(36.0))
    with pytest.raises(UserError, match="--over: found '2 A'"):
        shown_together(["0.120 A"], "2 A")
