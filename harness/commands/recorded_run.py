"""One run from opened instruments to a finished record."""

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

from harness.commands.attendance import Attendance
from harness.commands.bench_opening import opened
from harness.core.errors import AbortedSafe, NotSafe, UserError
from harness.core.output import command_for
from harness.core.stop import StopSignal
from harness.core.version import software
from harness.preparation.rehearsal import start_fields
from harness.preparation.run_files import RunInputs
from harness.record.history import finished_points, finished_waits
from harness.record.journal import Record, RecordWriter, create_record
from harness.replay.kept_run import KeptRequest, keep
from harness.replay.run_environment import Surroundings, at_the_bench, transcribed
from harness.run.run_context import RunContext
from harness.run.runner import Runner
from harness.safety.execution import execute
from harness.safety.guard import Guard
from harness.station.reservation import reserved
from harness.station.station import assemble
from instruments.links.transcript import TranscriptError

GUARD_REPORT = "guard.json"


def refuse_to_overwrite(file: Path, instead: str = "resume it, or choose another --out") -> None:
    """Raise UserError when the record `file` is there already."""
    if file.exists():
        raise UserError(f"{file}: exists already; a record is never overwritten ({instead})")


def reserved_bench(inputs: RunInputs, record_file: Path) -> contextlib.AbstractContextManager[None]:
    """The instruments of the bench, until the run has ended. Raises UserError naming the run that has them."""
    addresses = {name: entry.address for name, entry in inputs.bench.instruments.items() if not entry.by_person}
    command = f"the run of {record_file.resolve()}"
    files = (inputs.bench_file, Path(inputs.device_file))
    return reserved(addresses, inputs.bench_file.resolve().parent, command, files)


@contextlib.contextmanager
def naming_the_way_on(record_file: Path, trials: int) -> Iterator[None]:
    """Whatever ended a run safely, the message says how to go on with its record; that names the procedure itself."""
    try:
        yield
    except AbortedSafe as aborted:
        if not record_file.exists():
            raise
        raise AbortedSafe(f"{aborted}; to go on: {command_for('resume', record_file, trials)}") from aborted


def run_from_beginning(
    inputs: RunInputs, attendance: Attendance, file: Path, around: Surroundings | None = None
) -> None:
    """Run the procedure, leaving the record `file`; `around` replaces the bench. Raises UserError, AbortedSafe or NotSafe."""
    refuse_to_overwrite(file)
    around = _around(inputs, attendance, file, around=around)

    def begin(said: dict[str, Any]) -> RecordWriter:
        writer = create_record(file, around.clock)
        if attendance.rehearsal_problems:
            problem = f"rehearsal: {'; '.join(attendance.rehearsal_problems)}"
            said["overrides"] = [{"name": "rehearsal", "problem": problem}, *said["overrides"]]
        writer.write("start", **{**start_fields(inputs, software(), attendance.operator), **said})
        return writer

    _run(inputs, attendance, file, around, begin)


def continue_run(
    inputs: RunInputs,
    attendance: Attendance,
    begun: tuple[Record, IO[bytes]],
    file: Path,
    around: Surroundings | None = None,
) -> None:
    """Go on with the interrupted run in `file`, whose content and open stream are `begun`; `around` replaces the bench.

    Nothing in the file changes before every instrument has been identified. Raises UserError, AbortedSafe or NotSafe.
    """
    (record, stream), report = begun, file.parent / GUARD_REPORT
    told = report.read_text(encoding="utf-8") if report.exists() else ""
    around = _around(inputs, attendance, file, file, told, around)

    def begin(said: dict[str, Any]) -> RecordWriter:
        writer = RecordWriter(stream, around.clock, sync=True, after=record)
        torn = record.torn.decode("utf-8", "backslashreplace")
        writer.write("resume", operator=attendance.operator, **said, guard=told, torn=torn)
        report.unlink(missing_ok=True)
        return writer

    _run(inputs, attendance, file, around, begin, record)


def _run(
    inputs: RunInputs,
    attendance: Attendance,
    file: Path,
    around: Surroundings,
    begin: Callable[[dict[str, Any]], RecordWriter],
    before: Record | None = None,
) -> None:
    """Open and identify, `begin` the part of the record with what was set aside and confirmed, and run what `before` does not hold."""
    device, bench, clock = inputs.device, inputs.bench, around.clock
    station = assemble(device, bench, person=around.person, clock=clock, links=around.links, folders=inputs.folders)
    try:
        found = opened(bench, station, attendance, clock.wall().date())
        writer = begin({"overrides": found.accepted, "cautions": attendance.cautions, "replayed": around.replayed})
        for name, identity in found.identities.items():
            writer.write("identity", instrument=name, identity=identity.text, serial=identity.serial)
        if found.question:
            writer.write("prompt", text=found.question, answer=found.answer)
        context = RunContext(
            device, bench, station, found.identities, writer, clock, attendance.stop, attendance.progress
        )
        runner = Runner(
            context,
            finished=None if before is None else finished_points(before, device, bench),
            waited=() if before is None else finished_waits(before),
        )
        guarded = around.guarded and not station.load.by_person
        writer.announce = attendance.stop.activity.bounded if guarded else writer.announce
        with (
            contextlib.closing(writer),
            _guard(inputs, attendance.stop, file.parent) if guarded else contextlib.nullcontext(),
        ):
            around.watch(attendance.stop)
            execute(runner, inputs.procedure, inputs.options)
    finally:
        station.close()
        for missing in around.close():
            attendance.progress.note(f"the transcript is not whole: {missing}")
    try:
        around.check()
    except TranscriptError as failure:
        raise UserError(str(failure)) from failure


@contextlib.contextmanager
def _guard(inputs: RunInputs, stop: StopSignal, folder: Path) -> Iterator[None]:
    """A guard standing by, with its report in `folder`; it is stood down only when the bench is known to be safe."""
    guard = Guard(inputs.bench, inputs.folders, (folder / GUARD_REPORT).resolve(), stop)
    stop.watch(guard.trouble)
    try:
        yield
    except NotSafe:
        guard.take_over()
        raise
    except BaseException:
        guard.stand_down()
        raise
    guard.stand_down()


def _around(
    inputs: RunInputs,
    attendance: Attendance,
    record_file: Path,
    before: Path | None = None,
    guard_before: str = "",
    around: Surroundings | None = None,
) -> Surroundings:
    """The bench, or what is `around` in its place, with a transcript when one was asked for. Raises UserError."""
    around = around or at_the_bench(inputs, attendance.person, attendance.stop.activity)
    if attendance.transcript is None:
        return around
    asked = KeptRequest(
        procedure=inputs.asked,
        options=inputs.options,
        operator=attendance.operator,
        overrides=attendance.overrides,
        rehearsal_problems=attendance.rehearsal_problems,
        resumed=before is not None,
        cautions=attendance.cautions,
    )
    keep(attendance.transcript, inputs, asked, before, guard_before)
    return transcribed(around, inputs, attendance.transcript, record_file)
