"""What `ratioproof rehearse` prints of the points that would be taken."""

import io
from pathlib import Path

import pytest
from rich.console import Console

from harness.commands.new import BENCH, BENCH_POWER, new
from harness.commands.run import rehearse_only
from harness.steps import Options


def _told(folder: Path, bench: str, procedure: str, hold: float = 600.0) -> list[str]:
    """The lines of a rehearsal on a terminal of 80 columns, the table's heading first."""
    console = Console(file=io.StringIO(), width=80, force_terminal=True, color_system=None)
    options = Options(readings=2, per_decade=1, hold=hold)
    assert rehearse_only(*new(folder, bench), procedure, options, console) == 0
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_every_row_of_power_says_at_which_power_factor(tmp_path: Path) -> None:
    """IEC 62053-21 (value from memory) tests at 1, 0.5 inductive and 0.8 capacitive; each current and power factor is a row of its own."""
    heading, *rest = _told(tmp_path / "power", BENCH_POWER, "power_and_phase")
    rows = [line for line in rest if line.startswith((" x1 ", " x4 ", " x20 "))]
    at = heading.index("power factor")
    for step in ("single", "power"):
        told = [line[at:].split("  ")[0].rstrip() for line in rows if f" {step} " in line and line.startswith(" x4 ")]
        assert told == ["1"] * 3 + ["0.5 lagging"] * 3 + ["0.8 leading"] * 3
    assert len({line[: at + len("power factor")] for line in rows}) == len(rows) == 2 * 3 * 9
    assert all(line.rstrip().endswith(tuple("0123456789")) for line in rows)


@pytest.mark.parametrize("procedure", ["current_ratio", "turns_check"])
def test_points_without_power_have_no_column_for_it(tmp_path: Path, procedure: str) -> None:
    heading, *_ = _told(tmp_path / "plain", BENCH, procedure)
    assert heading.split() == ["range", "step", "current", "U", "expected", "limit", "limit", "/", "U"]


def test_a_range_that_is_not_visited_has_no_ceiling(tmp_path: Path) -> None:
    """The bench is checked by the current its standard is known at, on one range."""
    told = [line for line in _told(tmp_path / "check", BENCH_POWER, "bench_check") if line.startswith("  x")]
    assert [line.split()[-2:] for line in told[1:]] == [["not", "visited"]] * 2
    assert "ceiling 80 A" in told[0]
    assert not any("ceiling" in line for line in told[1:])


@pytest.mark.parametrize(("hold", "short"), [(60.0, True), (160.0, False)])
def test_a_wait_too_short_for_the_standard_is_told_before_it_is_waited(
    tmp_path: Path, hold: float, short: bool
) -> None:
    """IEC 62053-21:2003, 8.3.2 (value from memory): 480e6 / (10000/kWh x 230 V x 80 A) = 2.61 min in class 2."""
    told = " ".join(" ".join(_told(tmp_path / "rest", BENCH_POWER, "no_load", hold)).split())
    assert told.count("asks for 157 s at 115 % of the voltage") == (3 if short else 0)
    assert told.count("creep would be watched for 6") == (3 if short else 0)
