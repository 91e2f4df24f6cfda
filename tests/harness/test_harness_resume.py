"""Going on with an interrupted run of the procedures that adapt, wait or change the power factor, in virtual time."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.commands.inputs import Inputs, load_inputs
from harness.commands.new import BENCH_POWER, new
from harness.commands.twin import TwinLinks, displays
from harness.errors import AbortedSafe
from harness.evaluation.evaluate import evaluate
from harness.history import finished_points
from harness.progress import Silent
from harness.record import Record, RecordWriter, parse_record
from harness.runner import Runner, execute
from harness.station import assemble, open_all
from harness.steps import Options
from harness.stop import StopSignal
from instruments.person import ScriptedPerson
from tests.on_twin import TwinRun


class StopAtPoint(Silent):
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


def _interrupted_and_resumed(inputs: Inputs, after: int) -> tuple[TwinRun, Record, Record]:
    """The record as it was when the run was stopped after `after` points, and at the end of its resumption."""
    watcher = StopAtPoint(after)
    twin = TwinRun(inputs, progress=watcher)
    watcher.request = twin.stop.request
    with pytest.raises(AbortedSafe):
        twin.run()
    before = twin.record
    stream = io.BytesIO(twin._stream.getvalue())
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
    writer.write("resume", operator="test", overrides=[], guard="", torn="")
    identities = open_all(station)
    runner = Runner(
        inputs.device,
        inputs.bench,
        station,
        identities,
        writer,
        twin.clock,
        StopSignal(),
        Silent(),
        finished=finished_points(before, inputs.device, inputs.bench),
        time_zero=twin.time_zero,
    )
    execute(runner, inputs.procedure, inputs.options, station, writer)
    return twin, before, parse_record(stream.getvalue(), "resumed")


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
        truth = twin.bench.true_smallest_current(rng.name)
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
    assert "interrupted between its points" in results.reasons[0]
    assert not twin.bench.truth().switched_under_load
