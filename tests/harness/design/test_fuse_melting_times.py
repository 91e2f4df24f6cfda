"""Melting windows against the gates of IEC 60127-2."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.design.fuse_melting_times import FuseType, melting_window

PUBLISHED = Path(__file__).parents[2] / "reference" / "iec60127_2_fuse_prearcing.csv"


def _rows() -> list[dict[str, str]]:
    """Sheets 2 (quick-acting) and 3 (time-lag), glass; marks in the file say which values are from memory."""
    with PUBLISHED.open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["sheet"][0] in "23"]


@pytest.mark.parametrize("end", ["In_from_A", "In_to_A"])
def test_every_published_gate_bounds_the_window(end: str) -> None:
    rows = _rows()
    assert len(rows) == 30
    for row in rows:
        rating, multiple = float(row[end]), float(row["multiple"])
        fuse_type: FuseType = "F" if row["char"] == "F" else "T"
        shortest, longest = melting_window(rating, fuse_type, multiple * rating)
        if row["t_min_s"]:
            assert shortest == pytest.approx(float(row["t_min_s"])), row
        if row["t_max_s"]:
            assert longest == pytest.approx(float(row["t_max_s"])), row


def test_quick_fuse_holds_an_hour_at_half_as_much_again() -> None:
    # Common practice, no published source: a 100 mA quick-acting fuse holds at least 60 min at 150 %.
    shortest, longest = melting_window(0.1, "F", 0.15)
    assert shortest >= 60 * 60
    assert longest == math.inf


def test_between_gates_only_the_neighbours_bind() -> None:
    # IEC 60127-2 sheet 2: at most 30 min at 2.1 In and at least 50 ms at 2.75 In; so 2.4 In lies between the two.
    assert melting_window(1.0, "F", 2.4) == (0.050, 1800.0)
    assert melting_window(1.0, "F", 6.0) == (0.0, 0.3)


def test_nothing_is_guaranteed_outside_the_table() -> None:
    assert melting_window(0.010, "F", 1.0) == (0.0, math.inf)
    assert melting_window(25.0, "T", 100.0) == (0.0, math.inf)
    assert melting_window(1.0, "F", 1.8) == (0.050, math.inf)
    assert melting_window(1.0, "T", 20.0) == (0.0, 0.3)


def test_unknown_type_may_be_either() -> None:
    # IEC 60127-2: at 2.75 In a 1 A quick one holds 50 ms to 2 s, a time-lag one 0.6 s to 10 s.
    assert melting_window(1.0, None, 2.75) == (0.050, 10.0)


@given(
    st.sampled_from(get_args(FuseType)),
    st.floats(0.05, 10.0),
    st.floats(0.1, 20.0),
    st.floats(1.0, 3.0),
)
def test_more_current_never_holds_longer(fuse_type: FuseType, rating: float, multiple: float, more: float) -> None:
    less = melting_window(rating, fuse_type, multiple * rating)
    greater = melting_window(rating, fuse_type, multiple * more * rating)
    assert less[0] <= less[1]
    assert greater[0] <= less[0]
    assert greater[1] <= less[1]
