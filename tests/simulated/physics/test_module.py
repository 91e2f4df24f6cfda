"""The metering module's display and its fuse."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated.physics.module import Fuse, Module

# IEC 60127-2, standard sheet 2 (quick-acting, low breaking capacity), pre-arcing time limits in seconds; the row above
# 100 mA found in a fuse maker's data sheet, the row from 32 mA to 100 mA a value from memory.
GATES_ABOVE_100_MA = [(1.5, 3600, math.inf), (2.1, 0, 1800), (2.75, 0.05, 2), (4, 0.01, 0.3), (10, 0, 0.02)]
GATES_TO_100_MA = [(1.5, 3600, math.inf), (2.1, 0, 1800), (2.75, 0.01, 0.5), (4, 0.003, 0.1), (10, 0, 0.02)]


@pytest.mark.parametrize(
    ("rating", "multiple", "shortest", "longest"),
    [(0.05, *g) for g in GATES_TO_100_MA] + [(0.5, *g) for g in GATES_ABOVE_100_MA],
)
def test_fuse_melts_inside_the_gates(rating: float, multiple: float, shortest: float, longest: float) -> None:
    """The curve passes through every gate of the standard sheet."""
    assert shortest <= Fuse(rating, 3.0).melting_time(multiple * rating) <= longest


@given(st.floats(0.01, 30.0), st.floats(1.0, 5.0))
def test_more_current_melts_sooner(multiple: float, step: float) -> None:
    """Pre-arcing time never grows with the current."""
    fuse = Fuse(0.05, 3.0)
    assert fuse.melting_time(0.05 * multiple * step) <= fuse.melting_time(0.05 * multiple)


MODULE = Module(
    scale=2500.0,
    gain=1.0,
    offset=0.0,
    resolution=0.01,
    smallest=0.02,
    refresh_interval=1.0,
    clips_at=0.048,
    seed=1,
)


@given(st.floats(0.05, 200.0), st.integers(0, 10_000))
def test_display_shows_what_is_measured_in_whole_steps(measured: float, slot: int) -> None:
    """A whole number of steps next to the value: half a step of rounding, and noise of 0.2 steps and 0.01 %, at most five times."""
    shown = MODULE.shown(measured, slot)
    assert shown / 0.01 == pytest.approx(round(shown / 0.01), abs=1e-6)
    assert abs(shown - measured) <= 0.01 * (0.5 + 5 * 0.2) + 5 * 1e-4 * measured


def test_the_noise_belongs_to_the_slot() -> None:
    """The same whenever the slot is looked at, and another in other slots."""
    shown = [MODULE.shown(1.005, slot) for slot in range(50)]
    assert shown == [MODULE.shown(1.005, slot) for slot in range(50)]
    assert {1.0, 1.01} <= set(shown)


def test_below_the_threshold_it_shows_zero() -> None:
    """The smallest displayed current: below it zero, well above it a value."""
    assert {MODULE.shown(0.010, slot) for slot in range(50)} == {0.0}
    assert min(MODULE.shown(0.030, slot) for slot in range(50)) >= 0.02


@given(st.floats(0.0, 0.048))
def test_the_display_follows_the_secondary_current(secondary: float) -> None:
    """1:2500: an ampere on the primary is 0.4 mA in the secondary."""
    assert MODULE.measured(secondary) == pytest.approx(secondary / 0.4e-3)
    assert MODULE.measured(-secondary) == MODULE.measured(secondary)


def test_the_input_clips() -> None:
    """Past its input stage's limit of 48 mA the module shows no more than there: 120 A."""
    assert MODULE.measured(0.0479) < 120.0
    assert MODULE.measured(0.049) == MODULE.measured(5.0) == pytest.approx(120.0)
