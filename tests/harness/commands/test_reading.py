"""The command: what it says of a reading of a real finished run, and how it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.command_line import main
from harness.commands.new import BENCH, new
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from harness.wording.results_file import to_json
from tests.on_twin import TwinRun
from tests.shared import once, shared_folder


@pytest.fixture(scope="module")
def results_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    def make(folder: Path) -> None:
        run = TwinRun(load_inputs(*new(folder / "files", BENCH), "current_ratio", Options(per_decade=1)))
        run.run()
        (folder / "results.json").write_text(to_json(run.results()), encoding="utf-8")

    return once(shared_folder(tmp_path_factory, "readings") / "verification", make) / "results.json"


def _read(file: Path, *shows: str, more: tuple[str, ...] = (), rng: str = "x20") -> int:
    return main(["reading", str(file), "--range", rng, *more, "--shows", *shows])


def test_a_reading_gives_a_value_with_its_uncertainty_and_what_is_not_in_it(
    results_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """812 mA on x20 are 40.6 mA; the shipped pair's meter is within 1 % of that."""
    assert _read(results_file, "0.812 A") == 0
    said = capsys.readouterr().out
    assert "without correction   (40.6" in said
    assert "range x20, display factor 0.05" in said
    for left_out in ("another waveform", "no change of the meter", "another temperature", "simulated bench"):
        assert left_out in said
    assert _read(results_file, "812 mA", more=("--json",)) == 0
    found = json.loads(capsys.readouterr().out)["current"]
    assert found["indicated"] == pytest.approx(0.0406)
    assert found["corrected"]["value"] == pytest.approx(0.0406, rel=0.01)
    assert 0 < found["corrected"]["expanded_uncertainty"] < 0.01 * 0.0406
    assert found["corrected"]["value"] * (1 + found["error"]) == pytest.approx(found["indicated"])


def test_digits_left_out_and_drift_widen_the_interval(results_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The display's step is 1 mA; "0.8 A" alone leaves 100 mA open, of which 95.45 % of a rectangle are 0.9545 x 50 mA x 0.05."""

    def width(*shows: str, more: tuple[str, ...] = ()) -> float:
        assert _read(results_file, *shows, more=("--json", *more)) == 0
        return float(json.loads(capsys.readouterr().out)["current"]["corrected"]["expanded_uncertainty"])

    assert width("0.8 A") == pytest.approx(0.9545 * 0.05 * 0.05, rel=0.02)
    assert width("0.800 A") < width("0.80 A") < width("0.8 A")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("x20", "0.1 A"), "range x20 was verified from"),
        (("x20", "200 A"), "no value is stated; range x4 was verified there"),
        (("x9", "1 A"), "--range: found x9, expected one of x1, x4, x20"),
        (("x20", "1 V"), "--shows: found '1 V' (wrong kind of unit)"),
        (("x20", "12"), "--shows: found '12' without a unit"),
        (("x20", "1"), "--shows: found a power factor without a current"),
        (("x20", "-1 A"), "--shows: found '-1 A', expected a value above zero"),
        (("x20", "0 A"), "--shows: found '0 A', expected a value above zero"),
        (("x20", "1e0 A"), "--shows: found"),
        (("x20", "0,8 A"), "expected a decimal point"),
    ],
)
def test_what_cannot_be_stated_is_refused_in_one_line(
    results_file: Path, arguments: tuple[str, str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _read(results_file, arguments[1], rng=arguments[0]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert expected in told.err
    assert told.err.count("\n") == 1


def test_a_file_that_holds_no_results_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, content in (("none.json", None), ("text.json", "no"), ("other.json", "{}")):
        if content is not None:
            (tmp_path / name).write_text(content, encoding="utf-8")
        assert _read(tmp_path / name, "1 A") == 2
        told = capsys.readouterr().err
        assert name in told
        assert told.count("\n") == 1


def test_a_drift_is_per_year_and_not_negative(results_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _read(results_file, "0.812 A", more=("--drift", "0.2 %/year")) == 0
    assert "no change of the meter" not in capsys.readouterr().out
    for wrong in ("0.2 %", "-1 %/year"):
        assert _read(results_file, "0.812 A", more=(f"--drift={wrong}",)) == 2
        assert "--drift" in capsys.readouterr().err


def _changed(file: Path, folder: Path, table: str, key: str, value: object) -> Path:
    data = json.loads(file.read_text(encoding="utf-8"))
    data[table][key] = value
    (folder / "changed.json").write_text(json.dumps(data), encoding="utf-8")
    return folder / "changed.json"


@pytest.mark.parametrize(
    ("finished", "expected"),
    [
        ("2999-01-01T00:00:00+00:00", "yet to come"),
        (None, "None missing or of another kind"),
        ("soon", "expected a date and time with its offset"),
        ("2026-01-05T08:00:00", "expected a date and time with its offset"),
    ],
)
def test_a_verification_without_a_past_date_is_refused(
    results_file: Path, tmp_path: Path, finished: object, expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A drift per year counts from that date: of a date to come it would count for nothing."""
    changed = _changed(results_file, tmp_path, "run", "finished", finished)
    assert _read(changed, "0.812 A", more=("--drift", "50 %/year")) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert expected in told.err
    assert told.err.count("\n") == 1


def test_every_reading_lies_where_the_range_was_verified_not_their_mean_alone(
    results_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """100 mA on x20 are 5 mA, an eighth of the smallest verified current."""
    assert _read(results_file, "0.1 A", "1.6 A") == 2
    assert "indicates 0.005 A" in capsys.readouterr().err


@pytest.mark.parametrize("value", ["0.001", [1], {}, True])
def test_a_number_that_is_none_is_refused(
    results_file: Path, tmp_path: Path, value: object, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _read(_changed(results_file, tmp_path, "device", "resolution", value), "0.812 A") == 2
    assert f"found {value!r} missing or of another kind" in capsys.readouterr().err


def test_what_has_no_bound_gives_no_value(
    results_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _read(_changed(results_file, tmp_path, "device", "resolution", None), "0.812 A") == 2
    assert "without bound: no value is stated" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("path", "value", "key"),
    [
        (("points", 0, "pairs"), -1, "points[0].pairs: found -1"),
        (("points", 0, "indicated_current"), 0, "points[0].indicated_current: found 0"),
        (("points", 0, "ratio_error", "value"), 1e308, "points[0].ratio_error.value: found 1e+308"),
        (("display_factor",), 0, "display_factor: found 0"),
        (("display_factor",), -0.05, "display_factor: found -0.05"),
    ],
)
def test_numbers_altered_by_hand_are_refused_by_their_key(
    results_file: Path,
    tmp_path: Path,
    path: tuple[str | int, ...],
    value: float,
    key: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    data = json.loads(results_file.read_text(encoding="utf-8"))
    at = next(rng for rng in data["ranges"] if rng["name"] == "x20")
    number = data["ranges"].index(at)
    low = at["minimum_current"]
    at["points"].sort(key=lambda point: point["nominal_current"] < 0.99 * low)
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    changed = tmp_path / "altered.json"
    changed.write_text(json.dumps(data), encoding="utf-8")
    for arguments in (
        ("reading", str(changed), "--range", "x20", "--shows", "0.812 A"),
        ("card", str(changed), "--out", str(tmp_path / "card")),
        ("measure", str(changed), "--load", "lamp", "--out", str(tmp_path / "load")),
    ):
        assert main(list(arguments)) == 2
        told = capsys.readouterr().err
        assert f"altered.json: ranges[{number}].{key}" in told
        assert told.count("\n") == 1


def test_a_file_nested_too_deep_is_refused_and_a_byte_order_mark_is_read(
    results_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    deep, marked = tmp_path / "deep.json", tmp_path / "marked.json"
    deep.write_text("[" * 200_000 + "]" * 200_000, encoding="utf-8")
    marked.write_text(results_file.read_text(encoding="utf-8"), encoding="utf-8-sig")
    for command in (("reading", "--range", "x20", "--shows", "0.812 A"), ("card", "--out", str(tmp_path / "card"))):
        assert main([command[0], str(deep), *command[1:]]) == 2
        told = capsys.readouterr().err
        assert "deep.json: found" in told
        assert told.count("\n") == 1
        assert main([command[0], str(marked), *command[1:]]) == 0
        capsys.readouterr()
