"""Distributions and their inverses against scipy, which computes them in other ways (incomplete beta and gamma functions, Bessel's K)."""

import math

import numpy as np
import pytest
import scipy.special as reference

from harness.evaluation.uncertainty.convolution import Bell, summed
from harness.evaluation.uncertainty.distributions import NORMAL, TDistribution, chi_squared_beyond, t_beyond

FREEDOMS = [1.0, 1.7, 2.3, 3.0, 5.0, 9.0, 17.3, 40.0, 99.0, 1e4, 1e9]
PROBABILITIES = [0.0, 0.01, 0.5, 0.9, 0.9545, 0.99, 0.9999, 1 - 1e-9]


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_t_distribution(freedom: float) -> None:
    """Tails to a relative 1e-12 as far as they have a normal number, and the middle."""
    x = np.array([0, 0.1, 1.0, 1.96, 3.0, 12.0, 100.0, 1e6, 1e10])
    expected = reference.stdtr(freedom, -x)
    assert t_beyond(x, freedom) == pytest.approx(expected, rel=1e-12, abs=1e-290)
    for value in (-12.0, -0.3, 0.0, 0.3, 12.0):
        expected_below = float(reference.stdtr(freedom, value))
        assert TDistribution(freedom).cumulative(value) == pytest.approx(expected_below, rel=1e-12)


@pytest.mark.parametrize("freedom", FREEDOMS)
@pytest.mark.parametrize("probability", PROBABILITIES)
def test_half_width_of_a_t_distribution(freedom: float, probability: float) -> None:
    found = TDistribution(freedom).half_width(probability)
    assert found == pytest.approx(-float(reference.stdtrit(freedom, (1 - probability) / 2)), rel=1e-11, abs=1e-15)


def test_normal_distribution() -> None:
    for x in (-37.0, -9.0, -1.96, 0.0, 0.3, 5.0):
        assert NORMAL.cumulative(x) == pytest.approx(float(reference.ndtr(x)), rel=1e-12)
    for probability in PROBABILITIES:
        assert NORMAL.half_width(probability) == pytest.approx(
            -float(reference.ndtri((1 - probability) / 2)), rel=1e-12
        )


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 7, 42, 117])
def test_chi_squared(freedom: int) -> None:
    for value in (-1e-12, 0.0, 1e-3, 1.0, 10.0, 100.0, 700.0, 1e5):
        expected = float(reference.chdtrc(freedom, max(value, 0.0)))
        assert chi_squared_beyond(value, freedom) == pytest.approx(expected, rel=1e-12, abs=1e-290)


@pytest.mark.parametrize("freedom", [1.0, 2.3, 3.0, 9.0, 17.3, 40.0, 99.0])
@pytest.mark.parametrize("scale", [0.01, 1.0, 5.0])
def test_characteristic_function_of_a_t_distribution(freedom: float, scale: float) -> None:
    """Hurst 1995: phi(z) = K(nu / 2, y) y^(nu / 2) / (Gamma(nu / 2) 2^(nu / 2 - 1)), y = z sqrt(nu); the terms of a sum with a rectangle."""
    found = summed([1.0], 0.0, [Bell(scale, freedom)], 0.95)
    angles, terms = found._terms
    y, order = angles * scale * math.sqrt(freedom), freedom / 2
    # Nearer to zero Bessel's function overflows.
    good = y > 0.02 * order
    phi = reference.kv(order, y[good]) * y[good] ** order / (reference.gamma(order) * 2 ** (order - 1))
    expected = phi * np.sinc(angles[good] / math.pi) / np.arange(1, len(angles) + 1)[good]
    assert np.count_nonzero(good) > 10
    assert terms[good] == pytest.approx(expected, rel=1e-9, abs=1e-12)
