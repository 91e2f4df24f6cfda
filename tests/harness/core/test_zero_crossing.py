"""Where a function crosses zero, against scipy's own search (Brent's method)."""

import math
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from harness.core.zero_crossing import zero_crossing


@pytest.mark.parametrize(
    ("function", "low", "high"),
    [
        (lambda x: x * x - 2, 0.0, 2.0),
        (lambda x: 2 - x * x, 0.0, 200.0),
        (lambda x: math.erf(x) - 0.9545, 0.0, 40.0),
        (lambda x: math.tanh(50 * (x - 0.3)), 0.0, 1.0),
        (lambda x: (x - 0.1) ** 9, 0.0, 1.0),
        (lambda x: -1.0 if x < 0.7 else 1.0, 0.0, 1.0),
        (lambda x: x, 0.0, 1.0),
    ],
)
def test_zero_crossing(function: Callable[[float], float], low: float, high: float) -> None:
    expected = brentq(function, low, high, xtol=1e-14, rtol=1e-14, maxiter=1000)
    # A ninth power is zero to the last bit of a double far around its root.
    flat = 0.02 if function(0.1001) == 1e-4**9 or abs(function(0.1001)) < 1e-30 else 1e-11
    assert zero_crossing(function, low, high) == pytest.approx(expected, abs=flat * high)


@pytest.mark.parametrize("function", [lambda x: x + 5, lambda x: -1.0, lambda x: math.nan])
def test_what_does_not_cross_zero_has_no_root(function: Callable[[float], float]) -> None:
    """As scipy's brentq says."""
    with pytest.raises(ValueError, match="sign"):
        zero_crossing(function, 0.0, 1.0)
