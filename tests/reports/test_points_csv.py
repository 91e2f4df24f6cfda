"""The table of points, read back by the standard library's own reader of CSV."""

from __future__ import annotations

import csv
import io
import math
import sys
from pathlib import Path

import pytest
from rich.console import Console

from harness.command_line import main
from harness.commands.certify import CertifyOptions, certify
from harness.commands.new import BENCH_POWER, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.results import Results
from harness.steps import Options
from harness.wording.results_file import read_results
from reports.points_csv import COLUMNS
from tests.on_twin import TwinRun

PAGE = (Path(__file__).parents[2] / "reports" / "results.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run that compares currents and powers."""
    folder = tmp_path_factory.mktemp("power")
    return _recorded(
        folder, load_inputs(*new(folder, BENCH_POWER), "power_and_phase", Options(readings=2, per_decade=1))
    )


def _recorded(folder: Path, inputs: RunInputs) -> Path:
    twin = TwinRun(inputs)
    twin.run()
    file = folder / "record.jsonl"
    file.write_bytes(twin.content)
    return file


@pytest.fixture(scope="module")
def certified(record: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Results, list[dict[str, str]]]:
    out = tmp_path_factory.mktemp("out")
    told = Console(file=io.StringIO())
    assert certify(CertifyOptions(record, out, table=out / "tables" / "points.csv"), told) in (0, 1)
    with (out / "tables" / "points.csv").open(encoding="utf-8", newline="") as file:
        return read_results(out / "results.json"), list(csv.DictReader(file))


def test_every_point_has_a_row_that_says_what_the_results_say(
    certified: tuple[Results, list[dict[str, str]]],
) -> None:
    results, rows = certified
    currents = [p for r in results.ranges for p in r.points]
    powers = [p for r in results.ranges for p in r.power]
    assert currents
    assert powers
    assert len(rows) == len(currents) + len(powers)
    of = {(row["point"], row["quantity"]): row for row in rows}
    for point in currents:
        row = of[point.name, "current"]
        assert float(row["indicated value"]) == point.indicated_current
        assert float(row["expanded uncertainty (%)"]) == pytest.approx(point.ratio_error.expanded_uncertainty * 100)
        assert row["verdict"] == (point.ratio_error.verdict or "")
        assert row["limit (%)"] == "" or float(row["limit (%)"]) == pytest.approx((point.ratio_error.limit or 0) * 100)
    for power in powers:
        assert float(of[power.name, "power"]["reference value"]) == power.reference_power


def test_the_errors_follow_from_the_values_beside_them(certified: tuple[Results, list[dict[str, str]]]) -> None:
    """IEC 61869-2, ratio error; IEC 62052-11, percentage error: indicated less true, over true."""
    for row in certified[1]:
        indicated, reference = float(row["indicated value"]), float(row["reference value"])
        assert math.isclose(float(row["error (%)"]), (indicated / reference - 1) * 100, rel_tol=1e-6, abs_tol=1e-9)


def test_every_column_is_on_the_page() -> None:
    told = PAGE.partition("# The table of points")[2]
    assert [line.split("|")[1].strip() for line in told.splitlines() if line.startswith("| ")][1:] == list(COLUMNS)


def test_what_makes_the_table_is_loaded_only_for_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = _recorded(tmp_path, load_inputs(*new(tmp_path), "turns_check", Options(readings=1)))
    monkeypatch.setitem(sys.modules, "pandas", None)
    monkeypatch.delitem(sys.modules, "reports.points_csv", raising=False)
    console = Console(file=io.StringIO())
    assert certify(CertifyOptions(record, tmp_path), console) in (0, 1)
    with pytest.raises(ImportError):
        certify(CertifyOptions(record, tmp_path, table=tmp_path / "points.csv"), console)


def test_another_kind_of_file_is_refused_before_anything_is_evaluated(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["certify", "nowhere.jsonl", "--table", "points.xls"])
    assert ended.value.code == 2
    assert "found 'points.xls', expected a name ending in .csv" in capsys.readouterr().err
