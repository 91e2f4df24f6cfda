"""How the work grows with what is given: the order, and no times, which depend on the machine."""

from pathlib import Path

import pytest

from tests.benchmarks.speed import GROWTHS, furnished


@pytest.mark.parametrize("name", GROWTHS)
def test_work_grows_no_faster_than_what_is_given(name: str, tmp_path: Path) -> None:
    """Far from the square: eight times as much takes less than sixteen times as long on any machine."""
    assert GROWTHS[name].exponent(furnished(tmp_path), 3) < 4 / 3
