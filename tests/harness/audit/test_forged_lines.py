"""Records forged with care: one thing changed and every hash computed anew. Each is refused with its line."""

from __future__ import annotations

import copy
import datetime as dt
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from harness.commands.certify import CertifyOptions, certify
from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, new
from harness.commands.resume import ResumeOptions, resume
from harness.core.errors import RecordError
from harness.preparation.run_files import load_inputs
from harness.record.journal import parse_record
from harness.steps import Options
from harness.wording.results_file import read_results
from tests.benchmarks.mutated_records import campaign, rehashed
from tests.on_twin import TwinRun

Lines = list[dict[str, Any]]
Forge = Callable[[Lines], int]
"""Changes the lines and says at which, counted from 1, it must be found."""

RUNS = {
    "turns": (BENCH, "turns_check"),
    "power": (BENCH_POWER, "power_and_phase"),
    "rest": (BENCH_POWER, "no_load"),
    "hand": (BENCH_BY_HAND, "turns_check"),
}


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """A complete record of each of `RUNS`."""
    found = {}
    for name, (bench, procedure) in RUNS.items():
        files = new(tmp_path_factory.mktemp(name), bench)
        twin = TwinRun(load_inputs(*files, procedure, Options(readings=2, per_decade=1, hold=100)))
        twin.run()
        found[name] = twin.content
    return found


def _certify(file: Path, out: Path, procedure: str | None = None) -> int:
    return certify(CertifyOptions(file, out, procedure=procedure), Console(file=io.StringIO()))


def _first(lines: Lines, kind: str, **holds: Any) -> int:
    """The place of the first line of a kind in which those keys have those values."""
    return next(n for n, line in enumerate(lines) if line["kind"] == kind and holds.items() <= line.items())


def _last(lines: Lines, kind: str) -> int:
    return max(n for n, line in enumerate(lines) if line["kind"] == kind)


def _value_alone(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["displayed"]["value"] *= 1.001
    return place + 1


def _raw_alone(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["reference"]["raw"] = "+3.30000000E-02"
    return place + 1


def _register_alone(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["displayed"]["raw"] = "4080 0001"
    return place + 1


def _power_alone(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["also"]["displayed_power"]["value"] += 1
    return place + 1


def _typed_alone(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["displayed"]["raw"] = "7,77"
    return place + 1


def _both_of_the_reference(lines: Lines) -> int:
    """With raw and value in agreement, and far from what was applied."""
    for line in lines:
        if line["kind"] == "reading" and line["point"] == 0:
            line["reference"]["value"] = 12.5
            line["reference"]["raw"] = "12.5"
    return _first(lines, "point") + 1


def _point_taken_out(lines: Lines) -> int:
    point = lines[_first(lines, "point", point=1)]
    lines[:] = [line for line in lines if line.get("point") != 1]
    for line in lines:
        if line.get("point", 0) > 1:
            line["point"] -= 1
    return next(n for n, line in enumerate(lines) if line["line"] > point["line"] and line["kind"] == "point") + 1


def _left_out(reason: str) -> Forge:
    """A point turned into one that was left out: from a shelf a range passes without it."""

    def forge(lines: Lines) -> int:
        point = lines[_first(lines, "point", point=1)]
        lines[:] = [line for line in lines if line["kind"] != "reading" or line["point"] != 1]
        place = _first(lines, "point", point=1)
        kept = ("line", "at", "elapsed", "point", "name", "range", "direction", "previous", "hash")
        lines[place] = {key: point[key] for key in kept} | {"kind": "skip", "reason": reason}
        return place + 1

    return forge


def _point_renamed(lines: Lines) -> int:
    place = _first(lines, "point", point=1)
    lines[place]["name"] = "x4 single 1 A"
    return place + 1


def _at_another_current(lines: Lines) -> int:
    place = _first(lines, "point", point=1)
    lines[place]["nominal_current"] *= 2
    return place + 1


def _point_twice(lines: Lines) -> int:
    place = _first(lines, "point", point=0)
    lines.insert(place + 1, copy.deepcopy(lines[place]))
    return place + 2


def _reading_dropped(lines: Lines) -> int:
    place = _first(lines, "reading", pair=1)
    del lines[place]
    return place + 1


def _reading_added(lines: Lines) -> int:
    place = _first(lines, "reading", pair=1)
    lines.insert(place + 1, copy.deepcopy(lines[place]) | {"pair": 2})
    return place + 3


def _points_left_off_at_the_end(lines: Lines) -> int:
    del lines[_last(lines, "point") - 2 : _last(lines, "point") + 1]
    return len(lines)


def _another_range_of_the_reference(lines: Lines) -> int:
    place = _first(lines, "point")
    lines[place]["reference_scale"] = 123.0
    return place + 1


def _another_range_selected(lines: Lines) -> int:
    place = _first(lines, "point", point=1)
    lines[place]["range"] = "x1"
    return place + 1


def _ceiling_raised(lines: Lines) -> int:
    place = _first(lines, "step", step="select")
    lines[place]["ceiling"] *= 2
    return place + 1


def _settling_taken_out(lines: Lines) -> int:
    lines[:] = [line for line in lines if line["kind"] != "settled"]
    return _first(lines, "point") + 1


def _settled_before_it_was_applied(lines: Lines) -> int:
    """The settling of the last current, shown before that current was on."""
    place = max(n for n, line in enumerate(lines) if line.get("step") == "apply")
    settled = lines.pop(_first(lines[place:], "settled") + place)
    lines.insert(place, settled | {key: lines[place][key] for key in ("at", "elapsed")})
    return _first(lines[place:], "point") + place + 1


def _link_lost_after_it_had_settled(lines: Lines) -> int:
    """What the load did while an instrument was reopened nobody saw, so that a run settles anew."""
    place = _last(lines, "settled")
    lost = {"what": "x", "attempt": 1, "instrument": "multimeter", "message": "no reply within the timeout"}
    times = {key: lines[place][key] for key in ("at", "elapsed")}
    lines.insert(place + 1, {"line": 0, "kind": "trouble", **times, **lost, "previous": "", "hash": ""})
    return _first(lines[place:], "point") + place + 1


def _approach_taken_out(lines: Lines) -> int:
    del lines[_first(lines, "approach")]
    return _first(lines, "point") + 1


def _another_power_factor(lines: Lines) -> int:
    place = _first(lines, "point")
    lines[place]["power_factor"] = 0.5
    return place + 1


def _less_waited(lines: Lines) -> int:
    """The wait is said to have been as long as asked, and the times say no."""
    place = _first(lines, "wait")
    for line in lines[place:]:
        line["elapsed"] -= 90
        for key in ("reference", "displayed", *line.get("also", {})):
            reading = line.get(key) or line.get("also", {}).get(key)
            if isinstance(reading, dict):
                reading["started"] -= 90
                reading["finished"] -= 90
    return place + 1


def _seconds_backward(lines: Lines) -> int:
    place = _first(lines, "point")
    lines[place]["elapsed"] = 0.0
    return place + 1


def _read_before_it_was_set(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["reference"]["started"] = 0.0
    return place + 1


def _read_after_it_was_written(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["displayed"]["finished"] += 1000.0
    return place + 1


def _displayed_while_it_settled(lines: Lines) -> int:
    """The reference's reading may be one that showed that the current had settled, what was displayed meanwhile may not."""
    place = _first(lines, "approach")
    lines[place]["displayed"]["started"] = lines[place]["reference"]["started"]
    return place + 1


def _read_before_the_step(lines: Lines) -> int:
    """A reading that showed that the current had settled came after the step."""
    place = _first(lines, "approach")
    applied = next(line for line in reversed(lines[:place]) if line.get("step") == "apply")
    lines[place]["reference"]["started"] = applied["elapsed"] - 0.001
    return place + 1


def _pair_of_another_number(lines: Lines) -> int:
    place = _first(lines, "reading", pair=1)
    lines[place]["pair"] = 7
    return place + 1


def _read_in_another_order(lines: Lines) -> int:
    """The times of two readings of the reference exchanged: the second one began before the first."""
    first = _first(lines, "reading")
    one, other = lines[first]["reference"], lines[first + 1]["reference"]
    for key in ("started", "finished"):
        one[key], other[key] = other[key], one[key]
    return first + 2


def _second_start(lines: Lines) -> int:
    lines.insert(5, copy.deepcopy(lines[0]))
    return 6


def _taken_up_without_interruption(lines: Lines) -> int:
    lines.append(_resume(lines[0]) | {"elapsed": lines[-1]["elapsed"], "at": lines[-1]["at"]})
    lines.append(copy.deepcopy(lines[-2]))
    return len(lines) - 1


def _resume(start: dict[str, Any]) -> dict[str, Any]:
    kept = {key: start[key] for key in ("at", "elapsed", "operator", "overrides", "cautions", "replayed")}
    return {"line": 0, "kind": "resume", **kept, "guard": "", "torn": ""}


def _stopped_in_the_middle(lines: Lines) -> int:
    place = _first(lines, "point")
    lines.insert(place, {**lines[-1], "elapsed": lines[place]["elapsed"], "at": lines[place]["at"]})
    return place + 2


def _cautions_not_confirmed(lines: Lines) -> int:
    """The load answers as a real one would, and nobody has confirmed anything."""
    for line in lines:
        if line["kind"] == "identity" and line["identity"].startswith("Simulated,"):
            line["identity"] = line["identity"].replace("Simulated,", "Wold,")
    lines[0]["cautions"] = "simulated"
    return _first(lines, "step", step="apply") + 1


def _override_taken_out(lines: Lines) -> int:
    lines[0]["overrides"] = []
    return _first(lines, "step", step="apply") + 1


def _not_made_safe_before(lines: Lines) -> int:
    del lines[_first(lines, "safe")]
    return _first(lines, "step", step="apply") + 1


def _not_safe_after(lines: Lines) -> int:
    lines[_last(lines, "safe")]["confirmed"] = False
    return len(lines)


def _nobody_identified(lines: Lines) -> int:
    del lines[_first(lines, "identity")]
    return _first(lines, "step", step="apply") + 1


def _another_serial(lines: Lines) -> int:
    place = _first(lines, "identity")
    lines[place]["serial"] = "L-0001"
    return place + 1


def _key_too_many(lines: Lines) -> int:
    place = _first(lines, "point")
    lines[place]["note"] = "taken with care"
    return place + 1


def _text_for_a_number(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["reference"]["value"] = str(lines[place]["reference"]["value"])
    return place + 1


def _not_a_number(lines: Lines) -> int:
    place = _first(lines, "reading")
    lines[place]["displayed"]["value"] = float("nan")
    return place + 1


def _unknown_kind(lines: Lines) -> int:
    lines[3]["kind"] = "remark"
    return 4


def _fewer_readings_asked_for(lines: Lines) -> int:
    lines[0]["options"]["readings"] = 1
    return _first(lines, "point") + 1


def _another_profile(lines: Lines) -> int:
    """The meter's registers read by a scale of ten: every value but the zeros stands against it."""
    lines[0]["profiles"]["monitor"]["registers"]["current"]["scale"] = 10
    return _first(lines, "approach") + 1


FORGED: list[tuple[str, Forge, str]] = [
    ("turns", _value_alone, "displayed: found"),
    ("turns", _raw_alone, "reference: found"),
    ("turns", _register_alone, "as received"),
    ("power", _power_alone, "displayed_power: found"),
    ("hand", _typed_alone, "expected 7.77 A"),
    ("turns", _both_of_the_reference, "expected about the 4 A applied"),
    ("turns", _point_taken_out, "name: found"),
    ("hand", _left_out("the day was over"), "reason: found 'the day was over'"),
    ("hand", _left_out("4 A is above the maximum test current of 2 A, set by the fuse"), "reason: found '4 A is above"),
    ("hand", _left_out("nothing is read at 12 mA"), "reason: found 'nothing is read"),
    ("hand", _left_out("toaster may be on for 1 min at a time (longest_on)"), "reason: found 'toaster"),
    ("turns", _point_renamed, "expected 'x4 single 4 A'"),
    ("turns", _at_another_current, "nominal_current: found 8.0, expected 4.0"),
    ("turns", _point_twice, "once more, expected every point once"),
    ("turns", _reading_dropped, "count: found 2, expected 1"),
    ("turns", _reading_added, "count: found 2, expected 3"),
    ("turns", _points_left_off_at_the_end, "found the end without point 2"),
    ("turns", _another_range_of_the_reference, "reference_scale: found 123, expected one of"),
    ("turns", _another_range_selected, "range: found 'x1', expected 'x4'"),
    ("turns", _ceiling_raised, "ceiling: found 160 A"),
    ("turns", _settling_taken_out, "found no settled line"),
    ("turns", _settled_before_it_was_applied, "found no settled line"),
    ("turns", _link_lost_after_it_had_settled, "found no settled line"),
    ("turns", _approach_taken_out, "not approached"),
    ("power", _another_power_factor, "power_factor: found 0.5, expected 1.0"),
    ("rest", _less_waited, "expected the 100 s waited for"),
    ("turns", _seconds_backward, "elapsed: found 0 s after"),
    ("turns", _read_before_it_was_set, "reference: found it read from 0"),
    ("turns", _displayed_while_it_settled, "displayed: found it read from"),
    ("turns", _read_before_the_step, "reference: found it read from"),
    ("turns", _read_after_it_was_written, "displayed: found it read from"),
    ("turns", _pair_of_another_number, "pair: found 7, expected 1"),
    ("turns", _read_in_another_order, "found a reading that began at"),
    ("turns", _second_start, "expected the one start line"),
    ("turns", _taken_up_without_interruption, "expected nothing after its end"),
    ("turns", _stopped_in_the_middle, "after the stop at line"),
    ("turns", _cautions_not_confirmed, "the cautions not confirmed at line 1"),
    ("turns", _override_taken_out, "expected it set aside at line 1 (due:"),
    ("turns", _not_made_safe_before, "found no confirmed safe state of source"),
    ("turns", _not_safe_after, "found no confirmed safe state of"),
    ("turns", _nobody_identified, "found current before source was identified"),
    ("turns", _another_serial, "found serial 'L-0001', expected"),
    ("turns", _key_too_many, "note: found a key that is not one of this kind of line"),
    ("turns", _text_for_a_number, "reference.value: found"),
    ("turns", _not_a_number, "displayed.value: found nan, expected a finite number"),
    ("turns", _unknown_kind, "found kind 'remark', expected one of start"),
    ("turns", _fewer_readings_asked_for, "count: found 2, expected 1"),
    ("turns", _another_profile, "as received"),
]


@pytest.mark.parametrize(("run", "forge", "part"), FORGED, ids=[f.__name__.strip("_") for _, f, _ in FORGED])
def test_a_forged_record_is_refused_with_its_line(
    tmp_path: Path, records: dict[str, bytes], run: str, forge: Forge, part: str
) -> None:
    """Its hashes are in order, so that only what it says can be held against it."""
    lines = [json.loads(line) for line in records[run].splitlines()]
    place = forge(lines)
    for number, line in enumerate(lines):
        line["line"] = number
    file = tmp_path / "record.jsonl"
    file.write_bytes(rehashed(lines))
    parse_record(file.read_bytes(), "hashes and numbers are in order")
    with pytest.raises(RecordError) as refused:
        _certify(file, tmp_path / "out")
    said = [p for p in refused.value.problems if p.startswith(f"{file}: line {place}: ")]
    assert any(part in p for p in said), refused.value.problems
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("run", RUNS)
def test_a_true_record_is_not(tmp_path: Path, records: dict[str, bytes], run: str) -> None:
    """And hashes computed anew over what was not changed are what they were."""
    assert rehashed([json.loads(line) for line in records[run].splitlines()]) == records[run]
    file = tmp_path / "record.jsonl"
    file.write_bytes(records[run])
    assert _certify(file, tmp_path / "out") in (0, 1)
    assert read_results(tmp_path / "out" / "results.json").run.procedure_compared


def _interrupted(records: dict[str, bytes]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in records["turns"].splitlines()][:20]


def _resumed(folder: Path, lines: list[dict[str, Any]]) -> None:
    file = folder / "record.jsonl"
    file.write_bytes(rehashed(lines))
    resume(ResumeOptions(file, cautions_read=True), Console())


def test_an_interrupted_record_that_was_forged_is_not_gone_on_with(
    tmp_path: Path, records: dict[str, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    lines = _interrupted(records)
    place = _value_alone(lines)
    with pytest.raises(RecordError, match=f"line {place}: displayed: found"):
        _resumed(tmp_path, lines)
    assert capsys.readouterr().out == ""


def test_a_run_whose_procedure_has_changed_is_refused_before_anything_is_said(
    tmp_path: Path, records: dict[str, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    lines = _interrupted(records)
    lines[0]["procedure"]["text_hash"] = "0" * 64
    with pytest.raises(RecordError, match="has changed since the run began; start a new run"):
        _resumed(tmp_path, lines)
    assert capsys.readouterr().out == ""


OWN = '''"""A procedure of the user's own."""

from harness.steps import Apply, Observe, Release, Select, procedure


@procedure(title="Tops", revision="1")
def tops(device, options):
    """Read every range at 2 A."""
    for rng in device.ranges:
        yield Select(rng)
        yield Apply(2.0)
        yield Observe(f"{rng.name} top", options.readings, "single")
        yield Release()
'''


def test_a_procedure_out_of_a_record_is_never_run(tmp_path: Path) -> None:
    """Whoever wrote the record may have written it too. The user's own file is run where the user gives it, and it alone."""
    device, bench = new(tmp_path, BENCH)
    own, ran = tmp_path / "tops.py", tmp_path / "ran"
    own.write_text(OWN + f"\n\nopen({str(ran)!r}, 'a').close()\n", encoding="utf-8")
    twin = TwinRun(load_inputs(device, bench, str(own), Options(readings=2)))
    twin.run()
    assert twin.record.start["procedure"]["text"] == own.read_text(encoding="utf-8")
    file = tmp_path / "record.jsonl"
    file.write_bytes(twin.content)
    ran.unlink()
    _certify(file, tmp_path / "out")
    assert not ran.exists()
    assert not read_results(tmp_path / "out" / "results.json").run.procedure_compared
    _certify(file, tmp_path / "compared", str(own))
    assert read_results(tmp_path / "compared" / "results.json").run.procedure_compared
    own.write_text(OWN.replace("2.0", "3.0"), encoding="utf-8")
    with pytest.raises(RecordError, match="line 1: the run was made by another text of procedure tops"):
        _certify(file, tmp_path / "other", str(own))


def test_a_clock_set_during_a_run_is_told_and_refuses_nothing(tmp_path: Path, records: dict[str, bytes]) -> None:
    lines = [json.loads(line) for line in records["turns"].splitlines()]
    for line in lines[12:]:
        line["at"] = (dt.datetime.fromisoformat(line["at"]) - dt.timedelta(hours=2)).isoformat(timespec="milliseconds")
    file = tmp_path / "record.jsonl"
    file.write_bytes(rehashed(lines))
    assert _certify(file, tmp_path / "out") == 0
    (told,) = read_results(tmp_path / "out" / "results.json").run.clock_steps
    assert told.startswith("at line 13 the time of day went 2 h 0 min behind")


def test_records_changed_at_random_end_in_lines_and_no_defect() -> None:
    """A short version of `tests/benchmarks/mutated_records.py`."""
    outcomes = campaign(60, seed=3, runs=[(BENCH, "turns_check"), (BENCH_POWER, "no_load")])
    assert [o for o in outcomes if o.wrong] == []
    assert sum(o.status == 2 for o in outcomes) > 30
