"""The one factor between radians and what people state small angles in."""

import re
from pathlib import Path

import pytest

from harness.core.angles import MINUTES_PER_RADIAN

ROOT = Path(__file__).parents[3]
PRODUCT = [p for room in ("harness", "reports") for p in (ROOT / room).rglob("*.py")]


@pytest.mark.parametrize(("minutes", "centiradians"), [(10, 0.3), (30, 0.9), (60, 1.8), (90, 2.7), (180, 5.4)])
def test_minutes_as_the_standard_gives_them(minutes: float, centiradians: float) -> None:
    """IEC 61869-2 gives its limits of phase displacement in minutes and in centiradians, rounded up to a tenth and more (value from memory)."""
    assert minutes / MINUTES_PER_RADIAN * 100 == pytest.approx(centiradians, rel=0.035)


def test_the_factor_stands_in_one_place() -> None:
    written = re.compile(r"180 \* 60|degrees\([^\n]*\) \* 60")
    assert [p.name for p in PRODUCT if written.search(p.read_text(encoding="utf-8"))] == ["angles.py"]
