"""What arrives of the current, against circuit theory, root finding and quadrature."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize

from harness.evaluation.diagnosis.magnetic_core import EXPONENT, Core, clipped, driven, loaded


def core(droop: float, burden: float, droop_deviation: float = 0.0, burden_deviation: float = 0.0) -> Core:
    return Core(*(np.array([[value]]) for value in (droop, droop_deviation, burden, burden_deviation)))


@pytest.mark.parametrize("burden", [1.0, 4.0, 9.0])
def test_a_closed_turn_is_a_resistance_beside_the_burden(burden: float) -> None:
    """Current divider: an ideal transformer of 2500 turns, 70 ohm, and one turn of 0.3 mohm, by Kirchhoff's laws."""
    resistance, turns, closed = 70.0 * burden, 2500, 0.3e-3
    seen_from_secondary = closed * turns**2
    expected = seen_from_secondary / (seen_from_secondary + resistance)
    taken = 70.0 / seen_from_secondary
    assert loaded(np.array(taken), np.array(burden)).arrives == pytest.approx(expected, rel=1e-12)


@given(st.floats(0.0, 0.3), st.floats(1.0, 20.0))
def test_columns_of_a_closed_turn_are_derivatives(taken: float, burden: float) -> None:
    """Central differences."""
    by_taken, by_burden = loaded(np.array(taken), np.array(burden)).columns
    h = 1e-6

    def arrives(t: float, b: float) -> float:
        return float(loaded(np.array(t), np.array(b)).arrives)

    assert by_taken == pytest.approx((arrives(taken + h, burden) - arrives(taken - h, burden)) / 2 / h, abs=1e-5)
    assert by_burden == pytest.approx((arrives(taken, burden + h) - arrives(taken, burden - h)) / 2 / h, abs=1e-5)


@given(st.floats(1e-3, 20.0), st.floats(1e-3, 0.2), st.floats(1.01, 30.0))
def test_a_core_under_a_burden_solves_its_equation(current: float, droop: float, burden: float) -> None:
    """By Brent's method (scipy): the current splits into what arrives and what magnetises."""
    found = float(driven(np.array([[current]]), core(droop, burden), 0.6).arrives[0, 0]) * current
    expected = optimize.brentq(lambda x: x + droop * (burden * x) ** EXPONENT - current, 0.0, current, xtol=1e-14)
    assert found == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("current", [0.05, 0.2, 1.0, 3.0])
def test_columns_of_a_core_are_derivatives(current: float) -> None:
    """Central differences in droop and in exponent."""
    droop, burden, h = 0.05, 8.0, 1e-5
    now = np.array([[current]])

    def solved(d: float, p: float) -> float:
        sets_in = (d * burden**EXPONENT) ** (-1 / (EXPONENT - 1))
        # The place where it sets in is kept while the exponent changes.
        k = sets_in ** (1 - p)
        return optimize.brentq(lambda x: x + k * x**p - current, 0.0, current, xtol=1e-15) / current

    level, knee = driven(now, core(droop, burden, droop_deviation=0.01), 0.6).columns
    by_droop = (solved(droop + h, EXPONENT) - solved(droop - h, EXPONENT)) / 2 / h
    by_exponent = (solved(droop, EXPONENT + h) - solved(droop, EXPONENT - h)) / 2 / h
    assert level[0, 0] == pytest.approx(0.01 * by_droop, rel=1e-4)
    assert knee[0, 0] == pytest.approx(0.6 * EXPONENT * by_exponent, rel=1e-4)


def test_a_sound_burden_leaves_the_core_to_the_ordinary_droop() -> None:
    """Nothing is taken here, so that it is not taken twice."""
    found = driven(np.array([[0.1, 1.0, 5.0]]), core(0.05, 1.0), 0.6)
    assert found.arrives.tolist() == [[1.0, 1.0, 1.0]]
    assert not np.any(found.columns)


@pytest.mark.parametrize("current", [0.3, 1.0, 1.2, 1.5, 1.9, 2.0, 3.0, 16.0])
def test_an_input_that_clips_has_the_moments_of_an_even_level(current: float) -> None:
    """Mean, covariance with the level, and variance, by scipy's quadrature over a level even in 1 to 2."""
    found = clipped(np.array([current]), 1.0, 2.0)

    def mean_of(power: int, times: float = 0.0) -> float:
        def integrand(level: float) -> float:
            return (min(current, level) / current) ** power * (times * (level - 1.5) + (1 - times))

        inside = [current] if 1 < current < 2 else None
        return float(integrate.quad(integrand, 1.0, 2.0, points=inside)[0])

    assert found.arrives[0] == pytest.approx(mean_of(1), abs=1e-9)
    line, rest = (float(column[0]) for column in found.columns)
    assert line == pytest.approx(mean_of(1, times=1.0) * math.sqrt(12), abs=1e-9)
    assert line**2 + rest**2 == pytest.approx(mean_of(2) - mean_of(1) ** 2, abs=1e-9)


def test_a_saturated_core_of_the_simulated_kind_is_met() -> None:
    """The fundamental of a core whose permeability falls with the sixth power of the flux: magnetising current with the seventh."""
    voltage = np.geomspace(2.0, 10.0, 5)
    admittance = np.array([cmath.rect(1 + v**6, -math.pi / 2) for v in voltage])
    grows = np.diff(np.log(np.abs(voltage * admittance))) / np.diff(np.log(voltage))
    assert grows == pytest.approx(np.full(4, EXPONENT), abs=0.05)
