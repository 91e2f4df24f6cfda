"""From safe to safe: what a run leaves behind, and what is said of it, on every way out."""

from __future__ import annotations

import errno
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest

from harness.core.clock import RealClock
from harness.core.errors import Abandoned, AbortedSafe, LoadStaysOn, NotSafe, Stopped
from harness.record.journal import RecordWriter, parse_record
from harness.safety.execution import execute
from instruments.errors import LinkError

OFF = "everything is off and confirmed"
UNPLUG = "Disconnect the supply of the load by hand now"


@dataclass
class _Bench:
    """A bench of one load and the runner on it; `course` is what happened, in order."""

    run_raises: BaseException | None = None
    sees: str | BaseException = ""
    confirms: list[bool] = field(default_factory=list)
    by_person: bool = False
    deaf: bool = False
    paused: list[float] = field(default_factory=list)
    course: list[str] = field(default_factory=list)
    stream: io.BytesIO = field(default_factory=io.BytesIO)

    name, address = "load", "h:1"

    def __post_init__(self) -> None:
        self.writer = RecordWriter(self.stream, RealClock(), sync=False)
        station = SimpleNamespace(instruments={"load": self}, safe_order=("load",), load=self, person=self)
        self.context = SimpleNamespace(station=station, writer=self.writer)

    def open(self) -> None: ...

    def make_safe(self) -> None:
        self.course.append("safe")

    def confirm_safe(self) -> tuple[bool, str]:
        if self.deaf:
            return self.course[-2:] == ["safe", "safe"], "?"
        return (self.confirms[0] if self.course.count("run") == 0 else self.confirms[1]) if self.confirms else True, "?"

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        assert (seconds, text) == (0, "")
        self.course.append("no warning any more")

    def pause(self, seconds: float) -> None:
        self.paused.append(seconds)

    def run(self, procedure: Any, options: Any) -> None:
        assert (procedure, options) == ("procedure", "options")
        self.course.append("run")
        if self.run_raises is not None:
            raise self.run_raises

    def verify_dead(self) -> str:
        self.course.append("look")
        if isinstance(self.sees, BaseException):
            raise self.sees
        return self.sees

    def ends(self, expected: type[BaseException] | None) -> str:
        """Execute; what was raised, which must be of the kind expected."""
        if expected is None:
            execute(self, "procedure", "options")
            return ""
        with pytest.raises(expected) as ended:
            execute(self, "procedure", "options")
        assert ended.type is expected
        assert self.run_raises in (None, ended.value, ended.value.__cause__) or isinstance(self.sees, LoadStaysOn)
        return str(ended.value)

    @property
    def stop(self) -> tuple[str, str]:
        """How the record says that it ended."""
        (line,) = parse_record(self.stream.getvalue(), "test").of_kind("stop")
        return line["outcome"], line["reason"]


def test_a_run_begins_and_ends_safe_and_is_looked_at_before_it_is_called_complete() -> None:
    bench = _Bench()
    bench.ends(None)
    assert bench.course == ["safe", "run", "safe", "no warning any more", "look"]
    assert bench.stop == ("complete", "")


def test_a_load_that_obeys_the_second_time_is_waited_for_on_the_clock_of_the_run_and_is_in_the_record_at_both_ends() -> (
    None
):
    """On the run's clock a pause is announced, and the guard does not take it for a standstill."""
    bench = _Bench(deaf=True)
    bench.ends(None)
    assert bench.course == ["safe", "safe", "run", "safe", "safe", "no warning any more", "look"]
    assert len(bench.paused) == 2
    lines = parse_record(bench.stream.getvalue(), "test").lines
    assert [(line["kind"], line.get("confirmed")) for line in lines] == [("safe", True), ("safe", True), ("stop", None)]


def test_nothing_is_begun_on_a_bench_that_is_not_safe() -> None:
    bench = _Bench(confirms=[False])
    said = bench.ends(NotSafe)
    assert "load at h:1 did not confirm" in said
    assert UNPLUG in said
    assert "run" not in bench.course
    assert bench.stop == ("not safe", "not safe at the start")


BROKEN = LinkError("cut", instrument="meter", address="h:2")


@pytest.mark.parametrize(
    "failure", [Stopped("stopped by SIGTERM"), Abandoned("no such range"), BROKEN, OSError("worn out")]
)
def test_whatever_ends_a_run_the_bench_is_made_safe_and_that_is_told(failure: BaseException) -> None:
    bench = _Bench(failure)
    assert bench.ends(AbortedSafe) == f"{failure}; {OFF}"
    assert bench.course == ["safe", "run", "safe", "no warning any more", "look"]
    assert bench.stop == ("aborted", str(failure))


@pytest.mark.parametrize("failure", [ZeroDivisionError("a defect"), KeyboardInterrupt(), SystemExit(7)])
def test_a_defect_stays_one_after_the_bench_is_safe(failure: BaseException) -> None:
    """It is not told as an orderly end; the record names it, by its kind where it has no words."""
    bench = _Bench(failure)
    bench.ends(type(failure))
    assert bench.course[2] == "safe"
    assert bench.stop == ("aborted", str(failure) or type(failure).__name__)


@pytest.mark.parametrize("failure", [None, Stopped("enough")])
def test_what_does_not_confirm_at_the_end_is_not_safe_however_the_run_went(failure: BaseException | None) -> None:
    bench = _Bench(failure, confirms=[True, False])
    said = bench.ends(NotSafe).splitlines()
    assert said[:-1] == [*(["enough"] if failure else []), "load at h:1 did not confirm its safe state: ?"]
    assert said[-1].startswith(UNPLUG)
    assert bench.stop == ("not safe", "enough" if failure else "")


@pytest.mark.parametrize("failure", [None, Stopped("enough")])
@pytest.mark.parametrize("by_person", [False, True])
def test_current_that_is_seen_is_not_safe_whatever_anybody_says(failure: BaseException | None, by_person: bool) -> None:
    """docs/decisions/safe-state.md: a load that says it is off, or is said to be unplugged, and still drives."""
    bench = _Bench(failure, LoadStaysOn("2 A flow"), by_person=by_person)
    said = bench.ends(NotSafe)
    assert said.startswith("2 A flow\n")
    assert UNPLUG in said
    assert bench.stop == ("not safe", "2 A flow")


@pytest.mark.parametrize(
    ("by_person", "end", "outcome"), [(False, NotSafe, "not safe"), (True, AbortedSafe, "aborted")]
)
def test_who_unplugged_it_in_the_end_is_believed_and_a_load_on_a_link_is_not(
    by_person: bool, end: type[BaseException], outcome: str
) -> None:
    bench = _Bench(LoadStaysOn("did not switch off"), by_person=by_person)
    assert bench.ends(end).startswith("did not switch off")
    assert bench.stop == (outcome, "did not switch off")


@pytest.mark.parametrize(
    ("sees", "told"), [("no reply", "no reply"), (ValueError("a defect of the look"), "a defect of the look")]
)
def test_a_reference_that_cannot_be_asked_is_told_where_the_run_failed(sees: str | Exception, told: str) -> None:
    """The load's own confirmation counts then, and nothing more is said than was seen."""
    bench = _Bench(Stopped("enough"), sees)
    assert bench.ends(AbortedSafe) == f"enough; {OFF}; that no current flows was not seen by the reference: {told}"


def test_a_full_disk_is_told_by_its_file_with_what_to_do() -> None:
    full = OSError(errno.ENOSPC, "No space left on device", "out/record.jsonl")
    assert _Bench(full).ends(AbortedSafe) == (
        f"out/record.jsonl: No space left on device (make room, or copy the record to another disk); {OFF}"
    )
    gone = OSError(errno.EIO, "Input/output error", "out/record.jsonl")
    assert _Bench(gone).ends(AbortedSafe) == f"out/record.jsonl: Input/output error; {OFF}"


def _refusing(writer: RecordWriter, refused: Callable[[str], bool]) -> None:
    write = writer.write

    def refuse(kind: str, **values: object) -> None:
        if refused(kind):
            raise OSError(errno.ENOSPC, "No space left on device", "record.jsonl")
        write(kind, **values)

    writer.write = refuse  # as a disk that is full for this line alone


def test_a_run_whose_end_is_not_on_the_disk_is_not_complete() -> None:
    """Its record reads as interrupted, and whoever started it must know."""
    bench = _Bench()
    _refusing(bench.writer, lambda kind: kind == "stop")
    said = bench.ends(AbortedSafe)
    assert said.startswith(
        "the end of the run could not be written to the record: record.jsonl: No space left on device"
    )
    assert said.endswith(OFF)
