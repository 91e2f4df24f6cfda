"""The ratio error on paper against a worked example and closed forms."""

from __future__ import annotations

import cmath
import math

import pytest

from harness.design.check import check
from harness.design.expected_error import complex_error, ratio_and_phase
from tests.harness.design.demo_device import device, found


def test_ratio_error_of_a_worked_example() -> None:
    """Textbook of measurements, example 6.2: ratio 200, 1.1 ohm burden, 5 A secondary, I0 = 1 A at power factor 0.45.

    Printed: ratio 200.09 (error -0.045 %), angle 0.0512 degrees; the book leaves out the second order, 0.00003 degrees.
    """
    magnetising = cmath.rect(5.0 * 1.1 / (1.0 / 200), math.acos(0.45))
    ratio, phase = ratio_and_phase(complex_error(1.1, magnetising))
    assert ratio * 100 == pytest.approx(-0.045, abs=0.0005)
    assert math.degrees(phase) == pytest.approx(0.0512, abs=0.0001)


def test_ratio_error_needs_what_the_file_does_not_say() -> None:
    (finding,) = found(device(), "not known", "ratio error")
    assert "magnetising_inductance" in finding.text
    assert "secondary_fuse_resistance" in finding.text
    assert check(device()).ratio_error is None


def test_a_fuse_of_much_resistance_spoils_the_ratio() -> None:
    """Lossy to the end (loss angle near 90 degrees) the error is nearly resistive: -Z / (Zm + Z)."""
    known = {"burden": '"10 ohm"\nmagnetising_inductance = "20 H"\nmagnetising_loss_angle = "85 deg"'}
    bad = device(**known, secondary_fuse='"50 mA"\nsecondary_fuse_resistance = "800 ohm"')
    (finding,) = found(bad, "in the way", "ratio error")
    assert "from the fuse" in finding.text
    magnetising = cmath.rect(2 * math.pi * 50 * 20, math.radians(5))
    assert check(bad).ratio_error == pytest.approx(abs(magnetising / (magnetising + 870)) - 1)


def test_without_a_loss_angle_only_a_bound_is_told() -> None:
    """78 ohm on 2 pi 50 Hz 90 H = 28.3 kohm: between nothing (loss-free) and 78 / 28352 = 0.28 % (all loss)."""
    known = device(
        burden='"10 ohm"\nmagnetising_inductance = "90 H"',
        secondary_fuse='"50 mA"\nsecondary_fuse_resistance = "8 ohm"',
    )
    (finding,) = found(known, "worth knowing", "ratio error: -0.28 % at worst")
    assert "magnetising_loss_angle" in finding.text
    assert check(known).ratio_error is None
