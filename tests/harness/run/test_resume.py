"""Going on with an interrupted run of the procedures that adapt, wait or change the power factor, in virtual time."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from harness.audit.forged_lines import check_lines, check_points
from harness.commands.new import BENCH_POWER, new, template
from harness.commands.resume import ResumeOptions, resume
from harness.core.clock import RealClock
from harness.core.errors import AbortedSafe, RecordError
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.evaluation.run_evaluation import evaluate
from harness.files.loading import parse_device
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks, displays
from harness.record.history import finished_points, finished_waits
from harness.record.journal import FORMAT, Record, RecordWriter, create_record, parse_record
from harness.run.resumption import Resumption
from harness.run.run_context import RunContext
from harness.run.runner import Runner
from harness.safety.execution import execute
from harness.station.station import assemble, open_all
from harness.steps import Apply, Options, PointReading, Release, Select, Wait
from instruments.operator.person import ScriptedPerson
from tests.characteristic import characteristic
from tests.in_words import in_words
from tests.on_twin import TwinRun


class StopAtReading(Progress):
    """Asks to stop when the point `name` is about to be read."""

    def __init__(self, name: str) -> None:
        self._name = name
        self.request: Callable[[str], None] = lambda reason: None

    def doing(self, text: str) -> None:
        """Look for it."""
        if text == f"reading {self._name}":
            self.request("stopped by SIGINT")


class StopAtPoint(Progress):
    """Asks to stop once so many points are finished."""

    def __init__(self, count: int) -> None:
        self.left = count
        self.request: Callable[[str], None] = lambda reason: None

    def finished_point(self, index: int, name: str, ratio_error: float | None, limit: float | None) -> None:
        """Count."""
        self.left -= 1
        if self.left == 0:
            self.request("stopped by SIGINT")


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    device, bench = new(tmp_path_factory.mktemp("mains"), BENCH_POWER)
    return device, bench


def _interrupted_and_resumed(
    inputs: RunInputs, after: int | str, waits_told: bool = True
) -> tuple[TwinRun, Record, Record]:
    """The record as it was when the run was stopped after so many points or before the one of a name, and at the end of
    its resumption; without `waits_told` as if the record said nothing of waits.
    """
    watcher = StopAtPoint(after) if isinstance(after, int) else StopAtReading(after)
    twin = TwinRun(inputs, progress=watcher)
    watcher.request = twin.stop.request
    with pytest.raises(AbortedSafe):
        twin.run()
    before = twin.record
    stream = io.BytesIO(twin.content)
    stream.seek(0, io.SEEK_END)
    writer = RecordWriter(stream, twin.clock, sync=False, after=before)
    person = ScriptedPerson(displays=displays(twin.bench), default="go on", wait=twin.clock.sleep)
    station = assemble(
        inputs.device,
        inputs.bench,
        person=person,
        clock=twin.clock,
        links=TwinLinks(twin.bench),
        folders=inputs.folders,
    )
    writer.write(
        "resume",
        operator="test",
        overrides=before.start["overrides"],
        cautions="confirmed",
        replayed=False,
        guard="",
        torn="",
    )
    identities = open_all(station)
    for name, identity in identities.items():
        writer.write("identity", instrument=name, identity=identity.text, serial=identity.serial)
    runner = Runner(
        RunContext(inputs.device, inputs.bench, station, identities, writer, twin.clock, StopSignal(), Progress()),
        finished=finished_points(before, inputs.device, inputs.bench),
        waited=finished_waits(before) if waits_told else (),
    )
    check_points(before, "before", inputs.procedure, check_lines(before, "before"))
    execute(runner, inputs.procedure, inputs.options)
    record = parse_record(stream.getvalue(), "resumed")
    check_points(record, "resumed", inputs.procedure, check_lines(record, "resumed"))
    return twin, before, record


def _names(record: Record) -> list[str]:
    return [line["name"] for line in record.of_kind("point")]


@pytest.mark.parametrize("after", [1, 4, 9, 17])
def test_a_search_goes_on_where_it_was(files: tuple[Path, Path], after: int) -> None:
    inputs = load_inputs(*files, "smallest_current", Options())
    twin, before, record = _interrupted_and_resumed(inputs, after)
    names = _names(record)
    assert names[:after] == _names(before)
    assert len(set(names)) == len(names)
    for rng in evaluate(record, "resumed").ranges:
        assert rng.smallest is not None
        assert rng.smallest.found is not None
        truth = characteristic(twin.bench).smallest_current(rng.name)
        assert rng.smallest.found.value == pytest.approx(truth, abs=rng.smallest.found.expanded_uncertainty)


@pytest.mark.parametrize("after", [2, 4, 11, 25])
def test_the_power_factor_is_what_it_was(files: tuple[Path, Path], after: int) -> None:
    inputs = load_inputs(*files, "power_and_phase", Options(readings=2))
    _, _, record = _interrupted_and_resumed(inputs, after)
    results = evaluate(record, "resumed")
    assert results.verdict == "pass"
    points = [p for r in results.ranges for p in r.power]
    assert len(points) == 27
    for point in points:
        assert point.nominal_power_factor is not None
        assert abs(point.power_factor) == pytest.approx(abs(point.nominal_power_factor), abs=0.005)


def test_a_current_held_is_held_again(files: tuple[Path, Path]) -> None:
    inputs = load_inputs(*files, "endurance", Options(readings=2, hold=100))
    twin, _, record = _interrupted_and_resumed(inputs, 5)
    assert len(_names(record)) == 33
    results = evaluate(record, "resumed")
    assert all(r.endurance is not None and r.endurance.points == 11 for r in results.ranges)
    # What was interrupted was not held in one go, and is no pass; the other ranges are.
    assert [r.verdict for r in results.ranges] == ["fail", "pass", "pass"]
    assert "interrupted between its points" in in_words(results.reasons)[0]
    assert not twin.bench.truth().switched_under_load


HOLD = 100.0


def _seconds_before(record: Record, name: str) -> float:
    """How long after the run was taken up the point `name` was first read."""
    lines = list(record.lines)
    resumed = next(i for i, line in enumerate(lines) if line["kind"] == "resume")
    number = next(line["point"] for line in lines if line["kind"] == "point" and line["name"] == name)
    reading = next(line for line in lines[resumed:] if line["kind"] == "reading" and line["point"] == number)
    return (_at(reading) - _at(lines[resumed])).total_seconds()


def _at(line: dict[str, Any]) -> dt.datetime:
    return dt.datetime.fromisoformat(line["at"])


def _waits(record: Record) -> list[int]:
    return [line["wait"] for line in record.of_kind("wait")]


@pytest.mark.parametrize("waits_told", [True, False])
def test_a_wait_whose_points_are_in_the_record_is_not_waited_for_again(
    files: tuple[Path, Path], waits_told: bool
) -> None:
    """Stopped between two ranges: the first has its hold behind it, whether or not the record has lines of waits."""
    inputs = load_inputs(*files, "no_load", Options(readings=2, hold=HOLD))
    _, before, record = _interrupted_and_resumed(inputs, 2, waits_told)
    assert _waits(before) == [0]
    assert _waits(record) == [0, 1, 2]
    assert _seconds_before(record, "x4 zero") < HOLD / 2
    results = evaluate(record, "resumed")
    assert [r.no_load.verdict for r in results.ranges if r.no_load] == ["pass"] * 3


def test_a_hold_that_is_complete_is_not_held_again(files: tuple[Path, Path]) -> None:
    """Stopped when the second range was to begin: of the first nothing is touched, and all three pass."""
    inputs = load_inputs(*files, "endurance", Options(readings=2, hold=HOLD))
    _, before, record = _interrupted_and_resumed(inputs, "x4 hold 0")
    assert _waits(before) == list(range(10))
    assert _waits(record) == list(range(30))
    after = [line for line in record.lines[len(before.lines) :] if line["kind"] == "step"]
    assert "x1" not in {line.get("range") for line in after}
    assert evaluate(record, "resumed").verdict == "pass"


def test_a_wait_that_was_cut_short_is_run_anew(files: tuple[Path, Path]) -> None:
    """The second reading of a range at no load comes after the whole wait, as its name says, and not at once."""
    inputs = load_inputs(*files, "no_load", Options(readings=2, hold=HOLD))
    _, before, record = _interrupted_and_resumed(inputs, 1)
    assert _waits(before) == []
    assert _waits(record) == [0, 1, 2]
    assert _seconds_before(record, "x1 zero after 100 s") >= HOLD


def test_a_wait_at_no_load_that_ended_is_not_run_anew(files: tuple[Path, Path]) -> None:
    """Stopped in the reading after it: an interrupted run is left without current, as the wait was."""
    inputs = load_inputs(*files, "no_load", Options(readings=2, hold=HOLD))
    _, before, record = _interrupted_and_resumed(inputs, "x1 zero after 100 s")
    assert _waits(before) == [0]
    assert _waits(record) == [0, 1, 2]
    assert _seconds_before(record, "x1 zero after 100 s") < HOLD / 2


def test_a_wait_under_current_whose_point_was_not_finished_is_run_anew(files: tuple[Path, Path]) -> None:
    """Stopped in the reading after it: the current was off since, so what the wait was for is lost."""
    inputs = load_inputs(*files, "endurance", Options(readings=2, hold=HOLD))
    twin, before, record = _interrupted_and_resumed(inputs, "x1 hold 3")
    assert _waits(before) == [0, 1, 2]
    assert _waits(record) == [0, 1, 2, *range(2, 30)]
    resumed = len(before.lines)
    kinds = [line["kind"] for line in record.lines[resumed:]]
    applied = next(line for line in record.lines[resumed:] if line.get("step") == "apply" and line["current"] > 40)
    wait = record.lines[resumed + kinds.index("wait")]
    assert wait["line"] > applied["line"]
    assert wait["current"] == pytest.approx(applied["current"])
    assert record.lines[resumed + kinds.index("reading")]["line"] > wait["line"]
    assert not twin.bench.truth().switched_under_load


def test_what_stands_before_an_unfinished_point_is_done_in_its_order() -> None:
    """A rest between two currents is a rest again, and the current after it is applied after it."""
    device = parse_device(template("device.toml"), "device.toml")
    rng = device.ranges[0]
    rest, apply = Wait(60.0), Apply(2.0)
    past = Resumption({0: PointReading("a", 1.0, 1.0, 1)}, waited=())
    for step in (Select(rng), Apply(1.0, -0.8)):
        past.pass_over(step)
    assert past.point(0) is not None
    for step in (Release(), rest, apply):
        past.pass_over(step)
    assert past.point(1) is None
    assert past.to_do() == [Select(rng), rest, apply]
    assert past.power_factor == -0.8
    assert not past.on


def test_a_complete_run_is_refused_before_anything_is_said_or_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record, console = tmp_path / "record.jsonl", Console(file=io.StringIO())
    writer = create_record(record, RealClock())
    writer.write("start", format=FORMAT)
    writer.write("stop", outcome="complete")
    writer.close()
    with pytest.raises(RecordError, match="run is complete"):
        resume(ResumeOptions(record, cautions_read=True), console)
    assert isinstance(console.file, io.StringIO)
    assert console.file.getvalue() == capsys.readouterr().out == ""
