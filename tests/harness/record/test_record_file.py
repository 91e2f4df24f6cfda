"""The file of a record: a full disk, a clock that is set, a resumption that is refused."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
from pathlib import Path

import pytest
from rich.console import Console

from harness.commands.new import BENCH, new
from harness.commands.resume import ResumeOptions, resume
from harness.core.clock import RealClock
from harness.core.errors import AbortedSafe, UserError
from harness.preparation.run_files import RunInputs, load_inputs
from harness.record.history import clock_steps
from harness.record.journal import FORMAT, RecordWriter, continue_record, create_record, parse_record, read_record
from harness.steps import Options
from simulated.physics.virtual_clock import VirtualClock
from tests.full_disk import small_disk
from tests.on_twin import TwinRun


class SetClock(VirtualClock):
    """Its time of day can be set, as that of a computer."""

    def __init__(self) -> None:
        super().__init__()
        self.set = dt.timedelta()

    def wall(self) -> dt.datetime:
        """With what it was set by."""
        return super().wall() + self.set


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> RunInputs:
    return load_inputs(*new(tmp_path_factory.mktemp("files"), BENCH), "turns_check", Options(readings=2))


def test_a_full_disk_takes_a_line_whole_or_not_at_all(tmp_path: Path) -> None:
    """A write that the disk takes a part of raises nothing; the next one does. The line before must stay the last."""
    with small_disk(tmp_path, 16) as disk:
        writer = create_record(disk / "record.jsonl", RealClock())
        writer.write("start", format=FORMAT)
        written = 0
        with pytest.raises(OSError, match="No space left") as full:  # noqa: PT012  how many fit the file system knows
            while True:
                writer.write("note", text="x" * 300)
                written += 1
        assert full.value.filename == str(disk / "record.jsonl")
        record = read_record(disk / "record.jsonl")
        assert record.torn == b""
        assert len(record.lines) == written + 1
        writer.write("stop", outcome="aborted")
        writer.close()
        assert read_record(disk / "record.jsonl").lines[-1]["kind"] == "stop"


@pytest.mark.parametrize("kilobytes", [20, 24])
def test_a_run_on_a_full_disk_ends_safe_and_names_the_file(tmp_path: Path, inputs: RunInputs, kilobytes: int) -> None:
    """Full in its middle, and full when nothing is left to be written but that everything is off."""
    with small_disk(tmp_path, kilobytes) as disk, (disk / "record.jsonl").open("w+b", buffering=0) as stream:
        twin = TwinRun(inputs, stream=stream)
        with pytest.raises(AbortedSafe) as aborted:
            twin.run()
        assert f"{disk / 'record.jsonl'}: No space left on device (make room, or copy" in str(aborted.value)
        assert twin.record.torn == b""
        assert not twin.bench.truth().switched_under_load


@pytest.mark.parametrize(("seconds", "told"), [(3600, "1 h 0 min ahead of"), (-90, "1 min 30 s behind")])
def test_a_clock_that_was_set_is_told(seconds: int, told: str) -> None:
    clock, stream = SetClock(), io.BytesIO()
    writer = RecordWriter(stream, clock, sync=False)
    for number in range(4):
        writer.write("note", number=number)
        clock.sleep(1800)
        if number == 1:
            clock.set = dt.timedelta(seconds=seconds)
    (line,) = clock_steps(parse_record(stream.getvalue(), "r"))
    assert line.startswith(f"at line 3 the time of day went {told} the running clock")


def test_a_clock_that_follows_a_time_server_is_not_told() -> None:
    """Slewed by 500 parts in a million over hours."""
    clock, stream = SetClock(), io.BytesIO()
    writer = RecordWriter(stream, clock, sync=False)
    for number in range(10):
        writer.write("note", number=number)
        clock.sleep(3600)
        clock.set += dt.timedelta(seconds=1.8)
    assert clock_steps(parse_record(stream.getvalue(), "r")) == []


def test_times_go_on_where_the_clock_was_set_back_between_two_parts() -> None:
    """The seconds of a record never run backward, whatever the time of day did while the run was interrupted."""
    clock, stream = SetClock(), io.BytesIO()
    writer = RecordWriter(stream, clock, sync=False)
    writer.write("start")
    clock.sleep(100)
    writer.write("note")
    clock.set = dt.timedelta(days=-30)
    before = parse_record(stream.getvalue(), "r")
    RecordWriter(stream, clock, sync=False, after=before).write("resume")
    record = parse_record(stream.getvalue(), "r")
    assert [line["elapsed"] for line in record.lines] == [0, 100, 100]
    assert len(clock_steps(record)) == 1


def test_a_refused_resumption_changes_nothing(tmp_path: Path, inputs: RunInputs) -> None:
    """No instrument answers, so the run cannot go on; the torn line at the end stays for whoever looks into it."""
    twin = TwinRun(inputs)
    twin.run()
    lines = twin.content.splitlines(keepends=True)
    file = tmp_path / "record.jsonl"
    file.write_bytes(b"".join(lines[:20]) + lines[20][:30])
    before = file.read_bytes()
    with pytest.raises(UserError), contextlib.redirect_stdout(io.StringIO()):
        resume(ResumeOptions(file, cautions_read=True), Console(file=io.StringIO()))
    assert file.read_bytes() == before


def test_a_record_that_is_being_written_is_refused_before_anybody_is_asked(tmp_path: Path, inputs: RunInputs) -> None:
    twin = TwinRun(inputs)
    twin.run()
    file = tmp_path / "record.jsonl"
    file.write_bytes(b"".join(twin.content.splitlines(keepends=True)[:20]))
    shown = io.StringIO()
    _, stream = continue_record(file)
    with contextlib.closing(stream), pytest.raises(UserError, match="being written by another run"):
        resume(ResumeOptions(file, cautions_read=True), Console(file=shown))
    assert shown.getvalue() == "", "neither a rehearsal nor a caution"


def test_bytes_after_a_complete_record_are_refused() -> None:
    stream = io.BytesIO()
    writer = RecordWriter(stream, VirtualClock(), sync=False)
    writer.write("start", format=FORMAT)
    writer.write("stop", outcome="complete")
    with pytest.raises(UserError, match="line 3: found 7 bytes after the end of the run, expected none"):
        parse_record(stream.getvalue() + b"trailer", "r")
