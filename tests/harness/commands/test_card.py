"""The command: what it leaves, and how it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.command_line import main
from harness.wording.results_file import to_json
from reports.first_page import certificate_number
from tests.reports import sample_results

FILES = ["front-panel-label.pdf", "front-panel-label.svg", "lending-card.pdf"]


@pytest.fixture
def results(tmp_path: Path) -> Path:
    file = tmp_path / "results.json"
    file.write_text(to_json(sample_results.passing()), encoding="utf-8", newline="\n")
    return file


def test_label_and_card_lie_beside_the_results_with_the_certificates_number(
    results: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["card", str(results), "--width", "9 cm", "--due", "2099-01-31"]) == 0
    assert sorted(p.name for p in results.parent.iterdir()) == sorted([*FILES, "results.json"])
    assert "90 x " in capsys.readouterr().out
    label = (results.parent / "front-panel-label.svg").read_text(encoding="utf-8")
    assert certificate_number(results.read_text(encoding="utf-8")) in label
    assert "due 2099-01-31" in label


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--due", "soon"), "--due: found 'soon', expected a date such as"),
        (("--due", "1999-01-01"), "--due: found 1999-01-01, expected a date after the verification"),
        (("--width", "90"), "--width: found '90' without a unit"),
        (("--width", "3 m"), "expected 20 mm to 500 mm"),
        (("--width", "25 mm"), "or more for this meter"),
    ],
)
def test_what_cannot_be_is_one_line_and_leaves_nothing(
    results: Path, arguments: tuple[str, str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["card", str(results), *arguments]) == 2
    told = capsys.readouterr().err
    assert expected in told
    assert told.count("\n") == 1
    assert [p.name for p in results.parent.iterdir()] == ["results.json"]


def test_a_meter_that_failed_gets_no_card(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = json.loads(results.read_text(encoding="utf-8"))
    for rng in data["ranges"]:
        rng["verdict"] = "fail"
    results.write_text(json.dumps(data), encoding="utf-8")
    assert main(["card", str(results)]) == 2
    assert "on which an unknown load must begin, was not verified as conforming" in capsys.readouterr().err
