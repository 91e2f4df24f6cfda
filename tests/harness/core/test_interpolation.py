"""Interpolation between calibrated currents."""

from __future__ import annotations

import itertools
import math
import operator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.interpolation import EDGE, NEAREST, Node, check_rising, covers, interpolate


def test_between_two_currents_worked_by_hand() -> None:
    """-0.20 % with u = 0.015 % at 5 A, -0.10 % with u = 0.025 % at 20 A: 10 A lies half way in the logarithm.

    The error is their mean, u that of its neighbours' mean and not less (0.0146 % by root sum of squares), and a monotonic
    curve lies within the two errors: 0.05 % to either side.
    """
    nodes = [Node(5.0, -2.0e-3, 1.5e-4), Node(20.0, -1.0e-3, 2.5e-4)]
    found = interpolate(nodes, 10.0)
    assert found.error == pytest.approx(-1.5e-3)
    combined = math.sqrt(sum((share * nodes[i].standard_uncertainty) ** 2 for i, share in found.shares))
    assert combined == pytest.approx(2.0e-4)
    assert found.bow == found.largest_bow == pytest.approx(0.5e-3)
    at = interpolate(nodes, 5.0)
    assert (at.error, at.bow) == (-2.0e-3, 0.0)
    assert dict(at.shares) == pytest.approx({0: 1.0, 1: 0.0})


def test_a_turning_point_between_equal_errors_is_seen_by_its_neighbours() -> None:
    """Error term of linear interpolation, f''/2 (x - a)(b - x) (any textbook of numerical analysis): here of f = (log x)^2."""
    nodes = [Node(math.exp(x), x * x, 0.0) for x in (-3.0, -1.0, 1.0, 3.0)]
    found = interpolate(nodes, 1.0)
    assert found.error == pytest.approx(1.0)
    assert found.bow == pytest.approx(1.0)


@given(st.floats(0.05, 0.6), st.floats(0.0, 1.0), st.integers(2, 8))
def test_the_error_of_a_transformer_stays_within_the_bow(power: float, place: float, count: int) -> None:
    """Below saturation the error of a core falls with a power of the current (common practice, no published source)."""

    def true(current: float) -> float:
        return -2e-3 * float(current**-power)

    nodes = [
        Node(10.0 ** (3 * i / (count - 1) - 1), true(10.0 ** (3 * i / (count - 1) - 1)), 0.0) for i in range(count)
    ]
    current = 10.0 ** (3 * place - 1)
    found = interpolate(nodes, current)
    assert abs(found.error - true(current)) <= found.bow + 1e-15


@given(
    st.floats(1e-3, 1e3),
    st.lists(st.floats(1 + NEAREST, 100.0), min_size=1, max_size=7),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1e-2),
)
def test_it_is_nowhere_better_known_than_where_it_was_calibrated(
    first: float, steps: list[float], place: float, uncertainty: float
) -> None:
    currents = list(itertools.accumulate(steps, operator.mul, initial=first))
    nodes = [Node(c, 1e-3, uncertainty) for c in currents]
    at = nodes[0].at * (nodes[-1].at / nodes[0].at) ** place
    shares = interpolate(nodes, at).shares
    assert math.hypot(*(s * uncertainty for _, s in shares)) == pytest.approx(uncertainty)


@pytest.mark.parametrize("second", [5.0, 5.0000000001, 4.0])
def test_calibrated_currents_too_near_or_falling_are_refused(second: float) -> None:
    """Two rows for one current would be a division by nothing, and no curve."""
    check_rising([(50.0, 5.0), (60.0, second), (50.0, 5.06)], "calibrated", "current")
    with pytest.raises(ValueError, match="nearer than 1% is the same"):
        check_rising([(50.0, 5.0), (50.0, second)], "calibrated", "current")


def test_outside_nothing_is_known() -> None:
    nodes = [Node(1.0, 0.0, 1e-4), Node(10.0, 0.0, 1e-4)]
    assert covers(nodes, 10.0 * (1 + 0.99 * EDGE))
    assert not covers(nodes, 0.85)
    assert not covers([], 1.0)
    with pytest.raises(ValueError, match=r"0\.5 is outside"):
        interpolate(nodes, 0.5)
