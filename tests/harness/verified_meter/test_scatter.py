"""Readings that no single value stands for."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.verified_meter.scatter import WILD, largest_departure, scatters


def test_by_hand() -> None:
    """The mean of 0.8, 1.0 and 1.2 is 1.0; the largest departure a fifth of it."""
    assert largest_departure([0.8, 1.0, 1.2]) == pytest.approx(0.2)
    (told,) = scatters([0.8, 1.0, 1.2], "currents")
    assert told.startswith("currents read depart by up to 20% from their mean")
    assert scatters([0.8], "currents") == []


@given(st.lists(st.floats(0.5, 2.0), min_size=2, max_size=20))
def test_it_is_told_where_one_reading_is_further_off_than_a_tenth(values: list[float]) -> None:
    mean = sum(values) / len(values)
    furthest = max(abs(value / mean - 1) for value in values)
    if abs(furthest - WILD) > 1e-9:
        assert bool(scatters(values, "currents")) is (furthest > WILD)
