"""Conductors against IEC 60228 and what the trade does."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from harness.design.conductors import cord_for, cord_rating, heat_per_metre, resistance_per_metre

REFERENCE = Path(__file__).parents[2] / "reference"
MM2 = 1e-6


def _rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_resistance_is_that_of_class_five() -> None:
    for row in _rows("iec60228_max_resistance_20C.csv"):
        published = float(row["plain_cl5_6_ohm_per_km"])
        assert resistance_per_metre(float(row["mm2"]) * MM2) * 1000 == pytest.approx(published)


def test_temperature_follows_the_published_factors() -> None:
    # IEC 60228 annex: R(20) = R(t) x Kt, three decimals printed.
    for row in _rows("iec60228_temp_factor.csv"):
        warm = resistance_per_metre(1.5 * MM2, float(row["t_C"]))
        assert warm * float(row["Kt_published"]) * 1000 == pytest.approx(13.3, abs=13.3 * 0.0011)


def test_resistance_of_other_sizes_is_above_that_of_the_metal() -> None:
    # IEC 60028: annealed copper, 17.241 ohm mm2/km. Strands, lay and tolerance only ever add to it.
    for size in (0.3, 0.6, 1.25, 2.0, 3.0, 5.0, 25.0):
        metal = 17.241 / size
        assert metal < resistance_per_metre(size * MM2) * 1000 < 1.3 * metal


def test_heat_of_a_cord_by_hand() -> None:
    # 13.3 ohm/km at 20 degC (IEC 60228) and 16 A: 256 x 0.0133 = 3.40 W per metre; at 70 degC 1/0.833 of it.
    assert heat_per_metre(1.5 * MM2, 16.0, 20.0) == pytest.approx(3.4048)
    assert heat_per_metre(1.5 * MM2, 16.0) == pytest.approx(3.4048 / 0.833, rel=1e-3)


def test_one_and_a_half_square_millimetres_carry_sixteen_amperes() -> None:
    # Common practice, no published source.
    assert cord_rating(1.5 * MM2) == 16.0
    assert cord_for(16.0) == pytest.approx(1.5 * MM2)


def test_sizes_between_and_beyond() -> None:
    # Common practice, values from memory: 1.0 mm2 carries 10 A, 1.25 mm2 13 A, 4 mm2 32 A.
    assert cord_rating(1.2 * MM2) == 10.0
    assert cord_rating(4 * MM2) == 32.0
    # Thinner than the table: less than its smallest in proportion, never unknown.
    assert cord_rating(0.25 * MM2) == pytest.approx(cord_rating(0.5 * MM2) / 2)
    assert cord_rating(16 * MM2) is None
    assert cord_for(12.0) == pytest.approx(1.25 * MM2)
    assert cord_for(80.0) is None
