"""A table of readings: what is done row by row, and what one bad row costs."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from harness.command_line import main
from tests.harness.commands import test_measure
from tests.harness.commands.test_reading import results_file as results_file

power_results = test_measure.results_file


def _batch(results: Path, folder: Path, text: str, *more: str) -> int:
    (folder / "readings.csv").write_bytes(text.encode("utf-8"))
    return main(["reading", str(results), "--batch", str(folder / "readings.csv"), *more])


def test_rows_of_one_load_are_its_mean_and_each_value_is_that_of_a_single_reading(
    results_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rounded as the single command rounds: U to two digits, the value to its place (JCGM 100:2008, 7.2.6)."""
    text = "load,range,shows\nlamp,x20,0.812 A\nlamp,x20,0.814 A\n\niron,x4,3.32 A\n"
    assert _batch(results_file, tmp_path, text) == 0
    told = capsys.readouterr()
    lamp, iron = csv.DictReader(io.StringIO(told.out))
    assert "simulated bench" in told.err
    for row, rng, shows in ((lamp, "x20", ("0.812 A", "0.814 A")), (iron, "x4", ("3.32 A",))):
        assert main(["reading", str(results_file), "--range", rng, "--json", "--shows", *shows]) == 0
        alone = json.loads(capsys.readouterr().out)["current"]
        assert (row["quantity"], row["unit"], int(row["readings"])) == ("current", "A", len(shows))
        u = float(row["expanded uncertainty"])
        assert len(row["expanded uncertainty"].lstrip("0.")) == 2
        assert len(row["value"].partition(".")[2]) == len(row["expanded uncertainty"].partition(".")[2])
        assert u == pytest.approx(alone["corrected"]["expanded_uncertainty"], rel=0.05)
        assert float(row["value"]) == pytest.approx(alone["corrected"]["value"], abs=0.05 * u)
        assert float(row["without correction"]) == pytest.approx(alone["uncorrected"][0], abs=0.05 * u)


def test_power_and_energy_of_a_load_are_rows_of_their_own(
    power_results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """20 times less than shown, within 1 %."""
    text = (
        "load,range,shows,over\nlamp,x20,2.400 A,\nlamp,x20,214.0 W,\nlamp,x20,0.388,\nlamp,x20,428 Wh,2.000 h\n"
        "dim,x20,2.4 A,\ndim,x20,100 W,\n"
    )
    assert _batch(power_results, tmp_path, text) == 2
    told = capsys.readouterr()
    rows = {row["quantity"]: row for row in csv.DictReader(io.StringIO(told.out))}
    for name, unit, value in (
        ("current", "A", 0.12),
        ("power factor", "1", 0.388),
        ("active power", "W", 10.7),
        ("energy", "Wh", 21.4),
        ("mean power", "W", 10.7),
    ):
        assert (rows[name]["load"], rows[name]["unit"]) == ("lamp", unit)
        assert float(rows[name]["value"]) == pytest.approx(value, rel=0.01)
    assert "line 7: dim: shows: found an active power without a power factor" in told.err
    assert "the register itself was not compared" in told.err
    assert _batch(power_results, tmp_path, text.replace("0.388,", "0.388,1 h")) == 2
    assert "found 2 different times of one load" in capsys.readouterr().err


def test_a_bad_row_is_named_by_its_line_and_the_others_are_done(
    results_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Semicolons, as spreadsheets of half the world write them, a blank line, and no column of loads."""
    text = "range;shows\r\nx20;0.812 A\r\n\r\nx20;12\r\nx9;1 A\r\nx20;0.01 A\r\nx4;3.32 A\r\n"
    assert _batch(results_file, tmp_path, text) == 2
    told = capsys.readouterr()
    rows = list(csv.DictReader(io.StringIO(told.out)))
    assert [bool(row["value"]) for row in rows] == [True, False, False, False, True]
    assert ["no value: " in row["remark"] for row in rows] == [False, True, True, True, False]
    for line, said in ((4, "without a unit"), (5, "found x9, expected one of"), (6, "was verified from")):
        assert any(f"readings.csv, line {line}: " in one and said in one for one in told.err.splitlines())


def test_a_load_with_one_bad_row_has_no_mean(
    results_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _batch(results_file, tmp_path, "load,range,shows\nlamp,x20,0.812 A\nlamp,x20,0.8l4 A\n") == 2
    told = capsys.readouterr()
    (row,) = csv.DictReader(io.StringIO(told.out))
    assert (row["load"], row["value"]) == ("lamp", "")
    assert "line 3" in told.err


def test_readings_that_contradict_each_other_have_no_value_and_the_row_says_so(
    results_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """2.4 A and 0.9 A: with one degree of freedom U is 13.97 times 0.75 A (JCGM 100:2008, table G.2), six times their mean."""
    text = "load,range,shows\nlamp,x20,2.400 A\nlamp,x20,0.9 A\niron,x20,2.400 A\niron,x20,2.0 A\niron,x20,2.2 A\n"
    assert _batch(results_file, tmp_path, text) == 2
    told = capsys.readouterr()
    lamp, iron = csv.DictReader(io.StringIO(told.out))
    assert (lamp["load"], lamp["range"], lamp["value"]) == ("lamp", "x20", "")
    assert "no value: range x20: the 2 readings of current contradict each other" in lamp["remark"]
    assert any("line 3: lamp: range x20: the 2 readings" in line for line in told.err.splitlines())
    assert iron["value"]
    assert main(["reading", str(results_file), "--range", "x20", "--shows", "2.400 A", "0.9 A"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "No columns to parse"),
        ("a,b\n1,2\n", "expected one column range"),
        ("range\nx20\n", "expected one column shows"),
        ("range,shows\nx20,1 A,2,3\n", "readings.csv"),
    ],
)
def test_a_table_that_is_none_is_refused_in_one_line(
    results_file: Path, tmp_path: Path, text: str, expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _batch(results_file, tmp_path, text) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert expected in told.err
    assert told.err.count("\n") == 1


def test_a_table_stands_in_place_of_a_reading(results_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (
        [],
        ["--range", "x20"],
        ["--shows", "1 A"],
        ["--batch", "a.csv", "--range", "x4"],
        ["--batch", "a.csv", "--shows", "1 A"],
        ["--batch", "a.csv", "--json"],
    ):
        assert main(["reading", str(results_file), *arguments]) == 2
        assert "expected --range and --shows, or --batch alone" in capsys.readouterr().err


def test_columns_that_are_not_read_are_named(
    results_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As `measure` writes them: its powers have no power factor beside them."""
    text = "load,range,shows,power,seconds\nlamp,x20,2.400 A,214.0 W,0.0\n"
    assert _batch(results_file, tmp_path, text) == 0
    told = capsys.readouterr().err.splitlines()
    assert [line for line in told if "readings.csv" in line] == [
        f"{tmp_path / 'readings.csv'}: not read: columns power, seconds"
    ]
    assert _batch(results_file, tmp_path, "load,range,shows,over\nlamp,x20,2.400 A,\n") == 0
    assert "not read" not in capsys.readouterr().err
