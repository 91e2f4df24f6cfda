"""Linearity by the three rules."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from harness.evaluation.ratio.linearity import independent, linearity, terminal_based, zero_based
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from tests.harness.evaluation.conftest import RUN_DATE, observed


def test_a_parabola() -> None:
    """x^2 on [0, 1]: 0.125, 0.171573 (3 - 2 sqrt 2) and 0.25 by the definitions of IEC 61298-2 (value from memory)."""
    # With the place of the largest zero-based deviation, sqrt 2 - 1, among the points, few of them are enough.
    x = np.union1d(np.linspace(0, 1, 101), [2**0.5 - 1])
    assert independent(x, x**2) == pytest.approx(0.125, abs=1e-6)
    assert zero_based(x, x**2) == pytest.approx(0.171573, abs=1e-6)
    assert terminal_based(x, x**2) == pytest.approx(0.25, abs=1e-6)


CURVES = st.lists(st.tuples(st.integers(0, 200), st.floats(-10, 10)), min_size=3, max_size=10, unique_by=lambda p: p[0])


def _curve(points: list[tuple[int, float]]) -> tuple[np.ndarray, np.ndarray]:
    ordered = sorted(points)
    return np.array([float(x) for x, _ in ordered]), np.array([y for _, y in ordered])


def _smallest_largest_deviation(x: np.ndarray, y: np.ndarray, through_first: bool) -> float:
    """The same question put to a linear programme: least t with |y - a - b x| <= t."""
    one = np.ones_like(x)
    rows = np.vstack([np.column_stack([one, x, -one]), np.column_stack([-one, -x, -one])])
    fixed = {"A_eq": np.array([[1.0, x[0], 0.0]]), "b_eq": np.array([y[0]])} if through_first else {}
    found = linprog([0, 0, 1], A_ub=rows, b_ub=np.concatenate([y, -y]), bounds=[(None, None)] * 3, **fixed)
    return float(found.fun)


@given(CURVES)
def test_least_deviations_as_a_linear_programme_finds_them(points: list[tuple[int, float]]) -> None:
    """scipy's linear programming (HiGHS), an independent way to the minimax line."""
    x, y = _curve(points)
    assert independent(x, y) == pytest.approx(_smallest_largest_deviation(x, y, False), abs=1e-6)
    assert zero_based(x, y) == pytest.approx(_smallest_largest_deviation(x, y, True), abs=1e-6)


def _independent_plainly(x: np.ndarray, y: np.ndarray) -> float:
    """The slope of every pair of points tried."""
    first, second = np.triu_indices(len(x), 1)
    slopes = (y[second] - y[first]) / (x[second] - x[first])
    return float(np.min(np.ptp(y - slopes[:, None] * x, axis=1)) / 2)


def _zero_based_plainly(x: np.ndarray, y: np.ndarray) -> float:
    """Every slope tried at which two points deviate equally to opposite sides."""
    dx, dy = x[1:] - x[0], y[1:] - y[0]
    slopes = ((dy[:, None] + dy) / (dx[:, None] + dx)).ravel()
    return float(np.min(np.max(np.abs(dy - slopes[:, None] * dx), axis=1)))


@given(st.integers(3, 80), st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1e-15, 1e-6, 0.01, 1.0]), st.floats(-1, 1))
def test_no_pair_of_points_gives_a_better_line(count: int, seed: int, noise: float, bend: float) -> None:
    """Currents over three decades, a bend with scatter on it of every size: the same as by trying what can be the least."""
    x = np.geomspace(0.08, 80.0, count)
    y = x * (1 + bend * x / 80) + noise * np.random.default_rng(seed).normal(size=count)
    assert independent(x, y) == pytest.approx(_independent_plainly(x, y), rel=1e-9, abs=1e-12)
    assert zero_based(x, y) == pytest.approx(_zero_based_plainly(x, y), rel=1e-9, abs=1e-12)


@given(CURVES)
def test_the_freer_the_line_the_smaller_the_deviation(points: list[tuple[int, float]]) -> None:
    """Each rule places the line under one more condition than the one before."""
    x, y = _curve(points)
    assert independent(x, y) <= zero_based(x, y) + 1e-9
    assert zero_based(x, y) <= terminal_based(x, y) + 1e-9


@given(CURVES, st.floats(-5, 5), st.floats(-5, 5), st.floats(0.1, 10))
def test_a_line_added_changes_nothing_and_a_scale_scales(
    points: list[tuple[int, float]], slope: float, offset: float, scale: float
) -> None:
    """Linearity is about the departure from a line, in the unit of y."""
    x, y = _curve(points)
    for rule in (independent, zero_based, terminal_based):
        assert rule(x, scale * y + slope * x + offset) == pytest.approx(scale * rule(x, y), abs=1e-8)


def _values(device: Device, bench: Bench, shown: list[tuple[float, float, str]]) -> list[PointValues]:
    inputs = InputQuantities(bench, RUN_DATE)
    return [point_values(device, inputs, observed("x1", i, [d] * 4, direction=way)) for i, d, way in shown]


def test_a_range_is_told_in_parts_of_its_span_and_averaged_over_both_ways(device: Device, bench: Bench) -> None:
    """IEC 61298-2 (definitions, values from memory): a parabola over 80 A, on which the way up and the way down lie 0.2 A apart in the middle.

    In the average 50 A reads 51.6 A: from the line through the ends by 1.6 / 80 = 2 % of span, from the independent one by half of it.
    From 10 A the line of equal deviations leaves 1.6 - 40 b = 80 b, b = 1.6 / 120, so 80 b / 80 = 1.333 % (elementary).
    """
    shown = [(10.0, 10.0, "up"), (50.0, 51.5, "up"), (90.0, 90.0, "up"), (50.0, 51.7, "down"), (10.0, 10.0, "down")]
    found = linearity(_values(device, bench, shown))
    assert found is not None
    assert found.terminal_based == pytest.approx(0.02)
    assert found.independent == pytest.approx(0.01)
    assert found.zero_based == pytest.approx(1.6 / 120)
    assert found.hysteresis == pytest.approx(0.2 / 80)
    one_way = linearity(_values(device, bench, [p for p in shown if p[2] == "up"]))
    assert one_way is not None
    assert one_way.hysteresis is None
    assert one_way.terminal_based == pytest.approx(1.5 / 80)


def test_what_spans_nothing_has_no_linearity(device: Device, bench: Bench) -> None:
    """Two currents, a display that shows the same all along, and currents of which one did not follow what was asked."""
    up = [(10.0, 10.0, "up"), (50.0, 50.0, "up"), (90.0, 90.0, "up")]
    assert linearity(_values(device, bench, up[:2])) is None
    assert linearity(_values(device, bench, [(i, 5.0, way) for i, _, way in up])) is None
    values = _values(device, bench, up)
    for flowed in (10.0, 9.0):
        stuck = point_values(
            device, InputQuantities(bench, RUN_DATE), observed("x1", flowed, [flowed] * 4, direction="up", nominal=50.0)
        )
        assert linearity([values[0], stuck, values[2]]) is None
