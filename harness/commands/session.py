"""One run from opened instruments to a finished record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.clock import RealClock
from harness.commands.certify import RECORD
from harness.commands.inputs import Inputs
from harness.commands.rehearsal import start_fields
from harness.errors import NotSafe, UserError
from harness.guard import Guard
from harness.history import finished_points
from harness.progress import Progress
from harness.record import Record, RecordWriter, create_record
from harness.runner import Runner, execute
from harness.safing import make_all_safe, not_safe_message
from harness.station import Station, Wires, assemble, identity_problems, open_each
from harness.stop import StopSignal
from harness.version import software
from instruments.person import Person
from instruments.reading import Identity

GUARD_REPORT = "guard.json"


@dataclass(frozen=True)
class Attendance:
    """Who is there, what they have accepted, and how they stop the run."""

    operator: str
    overrides: tuple[str, ...]
    person: Person
    progress: Progress
    stop: StopSignal
    rehearsal_problems: tuple[str, ...] = ()


def run_anew(inputs: Inputs, attendance: Attendance, out: Path) -> None:
    """Run the procedure from its beginning, leaving `out`/record.jsonl. Raises UserError, AbortedSafe or NotSafe."""
    file = out / RECORD
    if file.exists():
        raise UserError(f"{file}: exists already; a record is never overwritten (resume it, or choose another --out)")
    clock = RealClock()
    station = _assembled(inputs, attendance, clock)
    try:
        identities, accepted = _identified(inputs, station, attendance, clock)
        writer = create_record(file, clock)
        if attendance.rehearsal_problems:
            accepted.insert(
                0, {"name": "rehearsal", "problem": f"rehearsal: {'; '.join(attendance.rehearsal_problems)}"}
            )
        writer.write("start", **{**start_fields(inputs, software(), attendance.operator), "overrides": accepted})
        _write_identities(writer, identities)
        runner = Runner(
            inputs.device,
            inputs.bench,
            station,
            identities,
            writer,
            clock,
            attendance.stop,
            attendance.progress,
        )
        _execute_guarded(runner, inputs, station, writer, attendance.stop, out)
    finally:
        station.close()
        clock.close()


def run_on(inputs: Inputs, attendance: Attendance, record: Record, writer: RecordWriter, out: Path) -> None:
    """Go on with an interrupted run. Raises UserError, AbortedSafe or NotSafe."""
    import datetime as dt

    clock = RealClock()
    station = _assembled(inputs, attendance, clock)
    try:
        identities, accepted = _identified(inputs, station, attendance, clock)
        report = out / GUARD_REPORT
        told = report.read_text(encoding="utf-8") if report.exists() else ""
        writer.write(
            "resume",
            operator=attendance.operator,
            overrides=accepted,
            guard=told,
            torn=record.torn.decode("utf-8", "backslashreplace"),
        )
        report.unlink(missing_ok=True)
        _write_identities(writer, identities)
        since_start = (clock.wall() - dt.datetime.fromisoformat(record.start["at"])).total_seconds()
        runner = Runner(
            inputs.device,
            inputs.bench,
            station,
            identities,
            writer,
            clock,
            attendance.stop,
            attendance.progress,
            finished=finished_points(record, inputs.device, inputs.bench),
            time_zero=clock.now() - since_start,
        )
        _execute_guarded(runner, inputs, station, writer, attendance.stop, out)
    finally:
        station.close()
        clock.close()


def _assembled(inputs: Inputs, attendance: Attendance, clock: RealClock) -> Station:
    folder = inputs.bench_file.resolve().parent
    return assemble(
        inputs.device,
        inputs.bench,
        person=attendance.person,
        clock=clock,
        links=Wires(folder),
        folders=inputs.folders,
    )


def _identified(
    inputs: Inputs, station: Station, attendance: Attendance, clock: RealClock
) -> tuple[dict[str, Identity], list[dict[str, str]]]:
    """Open and identify everything; what is wrong with it must have been overridden by name."""
    identities, silent = open_each(station)
    problems = identity_problems(inputs.bench, identities, clock.wall().date())
    refused = [
        f"{text} (to go on all the same: --override {name})"
        for name, text in problems.items()
        if name not in attendance.overrides
    ]
    needed = {*problems, *(["rehearsal"] if attendance.rehearsal_problems else [])}
    unused = [f"--override {o}: there is no such problem to override" for o in attendance.overrides if o not in needed]
    if silent or refused or unused:
        _leave_safe(station, identities)
        raise UserError([*silent, *refused, *unused])
    return identities, [{"name": name, "problem": text} for name, text in problems.items()]


def _leave_safe(station: Station, identities: dict[str, Identity]) -> None:
    """Before a refusal: a load that answers is not left driving what somebody else switched on. Raises NotSafe."""
    name = station.load.name
    if name in identities:
        states = make_all_safe({name: station.load}, [name])
        if not all(s.confirmed for s in states):
            raise NotSafe(not_safe_message(states))


def _write_identities(writer: RecordWriter, identities: dict[str, Identity]) -> None:
    for name, identity in identities.items():
        writer.write("identity", instrument=name, identity=identity.text, serial=identity.serial)


def _execute_guarded(
    runner: Runner, inputs: Inputs, station: Station, writer: RecordWriter, stop: StopSignal, out: Path
) -> None:
    """Execute with a guard standing by; it is stood down only when the bench is known to be safe."""
    try:
        guard = Guard(inputs.bench, inputs.folders, (out / GUARD_REPORT).resolve())
        stop.watch(guard.trouble)
        try:
            execute(runner, inputs.procedure, inputs.options, station, writer)
        except NotSafe:
            guard.take_over()
            raise
        except BaseException:
            guard.stand_down()
            raise
        guard.stand_down()
    finally:
        writer.close()


def overrides_of(names: Sequence[str]) -> tuple[str, ...]:
    """The overrides a user named. Raises UserError for one that is not of a known form."""
    wrong = [n for n in names if n != "rehearsal" and n.partition(":")[0] not in ("serial", "due")]
    if wrong:
        raise UserError([f"--override {n}: expected rehearsal, serial:INSTRUMENT or due:INSTRUMENT" for n in wrong])
    return tuple(names)
