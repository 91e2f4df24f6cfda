"""The command, from the cautions to the files, with a terminal whose lines are scripted."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.command_line import main
from harness.commands.new import BENCH_POWER, new
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from harness.wording.results_file import to_json
from tests.on_twin import TwinRun
from tests.shared import once, shared_folder


@pytest.fixture(scope="module")
def results_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    def make(folder: Path) -> None:
        run = TwinRun(load_inputs(*new(folder / "files", BENCH_POWER), "power_and_phase", Options(readings=2)))
        run.run()
        (folder / "results.json").write_text(to_json(run.results()), encoding="utf-8")

    return once(shared_folder(tmp_path_factory, "loads") / "verification", make) / "results.json"


def typing(monkeypatch: pytest.MonkeyPatch, *lines: str) -> list[str]:
    """Answer the questions by `lines`, one each; the questions asked."""
    asked: list[str] = []
    answers = iter(lines)

    def answer(text: str) -> str:
        asked.append(text)
        found = next(answers, None)
        if found is None:
            raise EOFError
        return found

    monkeypatch.setattr("instruments.operator.keyboard.at_terminal", lambda: True)
    monkeypatch.setattr("instruments.operator.keyboard.ask", answer)
    monkeypatch.setattr("harness.core.stop.keyboard.ask", answer)
    return asked


BEGIN = ("yes", "0.25 A", "done", "0", "done", "0.2", "done", "0", "done")
"""Cautions read; the rating plate; x1; nothing shown without the load; plugged in; 0.2 A; x20; nothing shown; on again."""

LAMP = ("4.000", "20.4", "4.002", "20.5", "4.001", "20.4")
"""Currents and powers of a lamp on x20, as displayed."""


def test_a_lamp_from_the_cautions_to_the_sheet(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """4.001 A times 0.05 are 0.200 A; at 230 V 46 VA."""
    asked = typing(
        monkeypatch, *BEGIN, *(f"{float(x) * 10:.1f}" if n % 2 else x for n, x in enumerate(LAMP)), "unplugged"
    )
    arguments = [
        "--load",
        "desk lamp",
        "--voltage",
        "230 V",
        "--voltage-error",
        "1 V",
        "--readings",
        "3",
        "--out",
        str(tmp_path / "lamp"),
    ]
    assert main(["measure", str(results_file), *arguments]) == 0
    told = capsys.readouterr().out
    assert "CAUTIONS" in told
    found = json.loads((tmp_path / "lamp" / "load.json").read_text(encoding="utf-8"))
    assert found["current"]["value"] == pytest.approx(0.2, rel=0.01)
    assert found["power"]["value"] == pytest.approx(10.2, rel=0.01)
    assert found["apparent_power"]["value"] == pytest.approx(46.0, rel=0.01)
    assert found["power_factor"]["value"] == pytest.approx(0.222, rel=0.01)
    assert found["energy_per_year"] is None
    assert "read for less than 15 min" in told
    assert (found["voltage"], found["voltage_error"], len(found["currents"]), len(found["powers"])) == (230, 1, 3, 3)
    assert (tmp_path / "lamp" / "load.pdf").stat().st_size > 10000
    assert "Have you read these cautions" in asked[0]
    assert asked[-1].startswith("desk lamp: switch it off and unplug it.")
    assert main(["measure", str(results_file), *arguments]) == 2
    assert "load.json: exists" in capsys.readouterr().err


def test_without_a_voltage_only_the_current_is_stated(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = typing(monkeypatch, *BEGIN, "4.000", "4.4", "unplugged")
    arguments = ["--load", "lamp", "--readings", "2", "--out", str(tmp_path)]
    assert main(["measure", str(results_file), *arguments]) == 0
    told = capsys.readouterr().out
    assert "Not stated: power, apparent power and power factor: the voltage was not given (--voltage)" in told
    assert "The load was not steady" in told
    assert not any("power, reading" in text for text in asked)
    assert json.loads((tmp_path / "load.json").read_text(encoding="utf-8"))["power"] is None


def test_what_is_stopped_leaves_the_load_unplugged_or_cries(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """More than x1 withstands, typed twice; then the end of input with the load plugged in."""
    arguments = ["--load", "lamp", "--out", str(tmp_path)]
    typing(monkeypatch, "yes", "1 A", "done", "0", "done", "90", "90", "unplugged")
    assert main(["measure", str(results_file), *arguments]) == 3
    assert "90 A flows on range x1, which withstands 80 A; lamp is unplugged" in capsys.readouterr().err
    typing(monkeypatch, "yes", "1 A", "done", "0", "done")
    assert main(["measure", str(results_file), *arguments]) == 4
    assert "NOT SAFE" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    typing(monkeypatch, *BEGIN, *["4.0"] * 5, "cannot", "cannot")
    assert main(["measure", str(results_file), *arguments]) == 4
    # What was read is not lost.
    assert [file.name for file in tmp_path.iterdir()] == ["load-readings.csv"]


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--readings", "1"), "--readings: found 1, expected 2 or more"),
        (("--voltage", "230", "--voltage-error", "1 V"), "--voltage: found '230' without a unit"),
        (("--voltage", "230 V"), "--voltage, --voltage-error: found one of them"),
        (("--voltage=-230 V", "--voltage-error", "1 V"), "--voltage: found '-230 V', expected a voltage above zero"),
        (("--crest-factor", "0.5"), "--crest-factor: found 0.5, expected 1 or more"),
        (("--cycles", "0"), "--cycles: found 0, expected 1 or more"),
        (("--bench", "none.toml"), "none.toml"),
        (("--operator", "a\tb"), "--operator: found 'a\\tb', expected text that can be printed"),
        (("--voltage", "230 V", "--voltage-error", "2 A"), "--voltage-error: found"),
        (("--voltage", "230 V", "--voltage-error", "23.1 V"), "--voltage-error: found '23.1 V', expected no more than"),
    ],
)
def test_what_cannot_be_is_said_before_anything_is_asked(
    results_file: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    expected: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    asked = typing(monkeypatch)
    assert main(["measure", str(results_file), "--load", "lamp", *arguments]) == 2
    assert expected in capsys.readouterr().err
    assert asked == []


def test_cautions_not_read_begin_nothing(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = typing(monkeypatch, "no")
    assert main(["measure", str(results_file), "--load", "lamp", "--out", str(tmp_path)]) == 2
    assert "the cautions were not confirmed" in capsys.readouterr().err
    assert len(asked) == 1


def test_an_interruption_loses_no_reading(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The readings taken before the terminal was closed are a table that `ratioproof reading` takes."""
    typing(monkeypatch, *BEGIN, "4.000", "4.001", "undo", "4.002")
    assert main(["measure", str(results_file), "--load", "lamp", "--out", str(tmp_path)]) == 4
    capsys.readouterr()
    kept = (tmp_path / "load-readings.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[:3] for line in kept[1:]] == [["lamp", "x20", "4.000 A"], ["lamp", "x20", "4.002 A"]]
    assert main(["reading", str(results_file), "--batch", str(tmp_path / "load-readings.csv")]) == 0
    assert "lamp,x20,current,2,A,0.20" in capsys.readouterr().out
