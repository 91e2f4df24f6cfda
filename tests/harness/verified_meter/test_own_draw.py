"""A meter that draws through its own sensor: what is taken off, against phasors."""

from __future__ import annotations

import cmath
import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.core.errors import UserError
from harness.verified_meter.measured_quantity import MeasuredQuantity
from harness.verified_meter.own_draw import OwnDraw


def most(found: MeasuredQuantity) -> float:
    return found.value * sum(math.sqrt(3) * c.standard_uncertainty for c in found.relative)


@given(
    own=st.floats(0.001, 0.05),
    own_angle=st.floats(-1.5, 1.5),
    load=st.floats(0.02, 1.0),
    angle=st.floats(-1.5, 1.5),
)
def test_the_load_alone_lies_within_what_is_stated(own: float, own_angle: float, load: float, angle: float) -> None:
    """Currents add as phasors, their powers as numbers."""
    mine, its = cmath.rect(own, own_angle), cmath.rect(load, angle)
    together = mine + its
    assume(abs(together) > 2.5 * own)
    drawn = OwnDraw(own, 0.0, 230 * mine.real, 0.0)
    current = drawn.off_current(MeasuredQuantity(abs(together), ()))
    assert abs(current.value - load) <= most(current) + 1e-12
    assume(together.real > 2.5 * mine.real > 0)
    power = drawn.off_power(MeasuredQuantity(230 * together.real, ()))
    assert power.value == pytest.approx(230 * its.real)


@given(
    own=st.floats(0.001, 0.05),
    own_angle=st.floats(-1.5, 1.5),
    load=st.floats(0.02, 1.0),
    angle=st.floats(-1.5, 1.5),
    harmonics=st.floats(0.0, 0.5),
    unsure=st.floats(0.0, 0.05),
)
def test_where_power_is_known_the_current_is_known_better(
    own: float, own_angle: float, load: float, angle: float, harmonics: float, unsure: float
) -> None:
    """By phasors and harmonics of the load, at right angles to every fundamental; the whole power is known within a part of it."""
    mine, its = cmath.rect(own, own_angle), cmath.rect(load, angle)
    whole, true = math.hypot(abs(mine + its), harmonics * load), math.hypot(load, harmonics * load)
    assume(whole > 2.5 * own)
    power = 230 * (mine + its).real
    assume(power > 0)
    drawn = OwnDraw(own, 0.0, 230 * mine.real, 0.0)
    found = drawn.off_current(MeasuredQuantity(whole, ()), (power * (1 - unsure), power * (1 + unsure)), 230.0)
    assert abs(found.value - true) <= most(found) + 1e-9
    plain = drawn.off_current(MeasuredQuantity(whole, ()))
    assert most(found) <= most(plain) + 1e-9


def test_a_supply_in_phase_with_the_voltage_is_taken_off_a_heater_exactly() -> None:
    """10 W and 100 W at 230 V: 43.5 mA of 478.3 mA are the meter's, 434.8 mA the load's; left is the tenth of the meter's own."""
    found = OwnDraw(10 / 230, 0.0, 10.0, 0.0).off_current(MeasuredQuantity(110 / 230, ()), (110.0, 110.0), 230.0)
    assert found.value == pytest.approx(100 / 230)
    assert most(found) == pytest.approx(1 / 230)


def test_nothing_shown_takes_nothing_off_and_too_much_is_refused() -> None:
    found = MeasuredQuantity(10.0, ())
    assert OwnDraw(0.0, 0.001, 0.0, 0.1).off_power(found) is found
    with pytest.raises(UserError, match="was the load unplugged"):
        OwnDraw(0.1, 0.001, 6.0, 0.1).off_power(found)


def test_its_uncertainty_by_hand() -> None:
    """3 W of 10 W within 10 % and half a step of 0.1 W: +-0.35 W of 7 W left, u = 2.89 % (JCGM 100:2008, 4.3.7)."""
    found = OwnDraw(0.02, 0.001, 3.0, 0.1).off_power(MeasuredQuantity(10.0, ()))
    assert found.value == pytest.approx(7.0)
    assert found.relative[-1].standard_uncertainty == pytest.approx(0.0289, rel=1e-2)


def test_energy_over_a_time_is_that_of_the_power() -> None:
    drawn = OwnDraw(0.02, 0.001, 3.0, 0.1)
    found = drawn.off_energy(MeasuredQuantity(10.0 * 7200, ()), 7200.0)
    assert found.value == pytest.approx(7.0 * 7200)
    power = drawn.off_power(MeasuredQuantity(10.0, ()))
    assert found.relative[-1].standard_uncertainty == pytest.approx(power.relative[-1].standard_uncertainty)


def test_a_display_that_shows_none_bounds_what_the_meter_draws_by_its_smallest_readable_current() -> None:
    """1 mA of 50 mA that may flow and is not shown: a rectangle of 2 %, u = 1.155 % (JCGM 100:2008, 4.3.7)."""
    found = OwnDraw(0.0, 0.001, 0.0, 0.1, hidden=0.001).off_current(MeasuredQuantity(0.05, ()))
    assert found.value == 0.05
    assert found.relative[-1].standard_uncertainty == pytest.approx(0.01155, rel=1e-3)
