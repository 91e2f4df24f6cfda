"""Turns for a wanted smallest current, by ampere-turns."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.new import template
from harness.design.required_turns import turns_for, wanted_text
from harness.files.device import Device
from harness.files.loading import parse_device


def demo() -> Device:
    return parse_device(template("device.toml"), "device.toml")


def coarse() -> Device:
    """Only the base turn, on an input that stands 2 mA and a display that reads from 20 A."""
    text = template("device.toml").split("[[ranges]]")
    text = ["".join(text[:1]), text[1]]
    first = text[0].replace('maximum_secondary_current = "40 mA"', 'maximum_secondary_current = "2 mA"')
    first = first.replace('smallest_readable_current = "20 mA"', 'smallest_readable_current = "4 A"')
    return parse_device(f"{first}[[ranges]]{text[1]}", "device.toml")


def test_two_turns_lift_twelve_milliamperes_above_twenty() -> None:
    """12 mA x 2 turns = 24 mA in ampere-turns, above the 20 mA at which the display begins; 1 turn stays below."""
    wanted = turns_for(demo(), 0.012)
    assert wanted.turns == 2
    assert wanted.smallest == pytest.approx(0.010)
    assert wanted.display_factor == pytest.approx(0.5)


def test_ten_turns_cost_a_factor_of_ten_at_the_top() -> None:
    """40 mA x 2500 = 100 ampere-turns: 10 A in ten turns (the input); the rated 32 mA are 8 A."""
    wanted = turns_for(demo(), 0.002)
    assert wanted.turns == 10
    assert wanted.limit.current == pytest.approx(10.0)
    assert "meter input" in wanted.limit.set_by
    assert wanted.full_scale == pytest.approx(8.0)
    # Common practice, values from memory: 0.75 mm2 carries 6 A, 1.0 mm2 10 A.
    assert wanted.conductor == pytest.approx(1.0e-6)
    assert wanted.already == "x20"


def test_a_current_that_is_read_already() -> None:
    assert any("x4 already reads 5 mA" in line for line in wanted_text(turns_for(demo(), 0.005)))
    assert turns_for(demo(), 0.0005).already is None
    assert turns_for(demo(), 0.0005).meets == "x20"


def test_a_gap_below_the_range_before_it_is_named() -> None:
    """2 mA x 2500 / 40 = 125 mA at the top of forty turns; the base turn reads from 4 A."""
    wanted = turns_for(coarse(), 0.1)
    assert wanted.turns == 40
    assert wanted.unread == (pytest.approx(0.125), pytest.approx(4.0))
    assert any("125 mA to 4 A reads neither there nor on x1" in line for line in wanted_text(wanted))


@given(st.floats(1e-5, 1.0))
def test_the_turns_suffice_and_one_fewer_does_not(smallest: float) -> None:
    wanted = turns_for(demo(), smallest)
    assert wanted.turns * smallest >= 0.020 * (1 - 1e-6)
    assert wanted.turns == 1 or (wanted.turns - 1) * smallest < 0.020
    assert math.isclose(wanted.display_factor * wanted.turns, 1.0)
