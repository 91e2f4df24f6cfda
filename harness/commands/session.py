"""One run from opened instruments to a finished record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from harness.commands.certify import RECORD
from harness.core.clock import Clock
from harness.core.errors import NotSafe, UserError
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.core.version import software
from harness.evaluation.traceability import CONFIRMED, NOT_ASKED, question_of_the_part
from harness.files.bench import Bench
from harness.preparation.rehearsal import start_fields
from harness.preparation.run_files import Inputs
from harness.record.history import finished_points, finished_waits
from harness.record.journal import Record, RecordWriter, create_record
from harness.replay.kept_run import keep
from harness.replay.run_environment import Surroundings, at_the_bench, transcribed
from harness.run.runner import Runner
from harness.safety.confirmation import Cautions
from harness.safety.execution import execute
from harness.safety.guard import Guard
from harness.safety.safing import make_all_safe, not_safe_message
from harness.station.identification import calibration_problems, identity_problems
from harness.station.station import Station, assemble, open_each
from harness.station.wires import REPLAYED
from instruments.links.transcript import TranscriptError
from instruments.operator.person import Person
from instruments.reading import Identity

GUARD_REPORT = "guard.json"
NO_SUCH_PROBLEM = "there is no such problem to override"


@dataclass(frozen=True)
class Attendance:
    """Who is there, what they have accepted, and how they stop the run. `cautions`: how they were confirmed."""

    operator: str
    overrides: tuple[str, ...]
    person: Person
    progress: Progress
    stop: StopSignal
    rehearsal_problems: tuple[str, ...] = ()
    transcript: Path | None = None
    cautions: Cautions = "simulated"


def refuse_to_overwrite(out: Path) -> None:
    """Raise UserError when `out` already holds the record of a run."""
    file = out / RECORD
    if file.exists():
        raise UserError(f"{file}: exists already; a record is never overwritten (resume it, or choose another --out)")


def run_anew(inputs: Inputs, attendance: Attendance, out: Path, around: Surroundings | None = None) -> None:
    """Run the procedure from its beginning, leaving `out`/record.jsonl; `around` replaces the bench.

    Raises UserError, AbortedSafe or NotSafe.
    """
    file = out / RECORD
    refuse_to_overwrite(out)
    around = around or _around(inputs, attendance, file)
    clock, station = around.clock, _assembled(inputs, around)
    try:
        identities, accepted = _identified(inputs, station, attendance, clock)
        question, answer = _part_seen(inputs.bench, station, identities, attendance)
        writer = create_record(file, clock)
        if attendance.rehearsal_problems:
            accepted.insert(
                0, {"name": "rehearsal", "problem": f"rehearsal: {'; '.join(attendance.rehearsal_problems)}"}
            )
        said = _said(attendance, accepted, around)
        writer.write("start", **{**start_fields(inputs, software(), attendance.operator), **said})
        _write_identities(writer, identities)
        _write_answer(writer, question, answer)
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
        _execute_guarded(runner, inputs, station, writer, attendance.stop, out, around)
    finally:
        _close(station, around, attendance.progress)
    _check(around)


def run_on(
    inputs: Inputs,
    attendance: Attendance,
    record: Record,
    stream: IO[bytes],
    record_file: Path,
    around: Surroundings | None = None,
) -> None:
    """Go on with the interrupted run in `record_file`, open as `stream`; `around` replaces the bench.

    Nothing in the file changes before every instrument has been identified. Raises UserError, AbortedSafe or NotSafe.
    """
    report = record_file.parent / GUARD_REPORT
    told = report.read_text(encoding="utf-8") if report.exists() else ""
    if around is None:
        around = _around(inputs, attendance, record_file, record_file.read_bytes(), told)
    clock, station = around.clock, _assembled(inputs, around)
    try:
        identities, accepted = _identified(inputs, station, attendance, clock)
        question, answer = _part_seen(inputs.bench, station, identities, attendance)
        writer = RecordWriter(stream, clock, sync=True, after=record)
        writer.write(
            "resume",
            operator=attendance.operator,
            **_said(attendance, accepted, around),
            guard=told,
            torn=record.torn.decode("utf-8", "backslashreplace"),
        )
        report.unlink(missing_ok=True)
        _write_identities(writer, identities)
        _write_answer(writer, question, answer)
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
            waited=finished_waits(record),
        )
        _execute_guarded(runner, inputs, station, writer, attendance.stop, record_file.parent, around)
    finally:
        _close(station, around, attendance.progress)
    _check(around)


def _around(
    inputs: Inputs, attendance: Attendance, record_file: Path, before: bytes | None = None, guard_before: str = ""
) -> Surroundings:
    """The bench, with a transcript when one was asked for. Raises UserError."""
    around = at_the_bench(inputs, attendance.person, attendance.stop.activity)
    if attendance.transcript is None:
        return around
    keep(
        attendance.transcript,
        inputs,
        attendance.operator,
        attendance.overrides,
        attendance.rehearsal_problems,
        attendance.cautions,
        before,
        guard_before,
    )
    return transcribed(around, inputs, attendance.transcript, record_file)


def _assembled(inputs: Inputs, around: Surroundings) -> Station:
    return assemble(
        inputs.device,
        inputs.bench,
        person=around.person,
        clock=around.clock,
        links=around.links,
        folders=inputs.folders,
    )


def _close(station: Station, around: Surroundings, progress: Progress) -> None:
    station.close()
    for missing in around.close():
        progress.note(f"the transcript is not whole: {missing}")


def _check(around: Surroundings) -> None:
    """Raise UserError when an instrument that was only a transcript was not asked all that is in it."""
    try:
        around.check()
    except TranscriptError as failure:
        raise UserError(str(failure)) from failure


def _identified(
    inputs: Inputs, station: Station, attendance: Attendance, clock: Clock
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
    unused = [f"--override {o}: {NO_SUCH_PROBLEM}" for o in attendance.overrides if o not in needed]
    if silent or refused or unused:
        _leave_safe(station, identities)
        raise UserError([*silent, *refused, *unused])
    return identities, [{"name": name, "problem": text} for name, text in problems.items()]


def _part_seen(
    bench: Bench, station: Station, identities: dict[str, Identity], attendance: Attendance
) -> tuple[str, str]:
    """What the person at the bench is asked about the part in the reference path, and the answer. Raises UserError.

    A transformer answers no query: its serial number is read by somebody, or it is what the bench file states.
    """
    question = question_of_the_part(bench)
    if not question:
        return "", ""
    somebody = any(bench.instruments[name].by_person for name in identities)
    if attendance.cautions == "confirmed beforehand" and not somebody:
        return question, NOT_ASKED
    answer = station.person.choose(question, ["no", CONFIRMED])
    if answer != CONFIRMED:
        _leave_safe(station, identities)
        raise UserError(
            f"{bench.reference_path.part_name} is not what stands in the reference path: write into [reference_path.part] what "
            "does, with its own certificate; nothing was energised"
        )
    return question, answer


def _write_answer(writer: RecordWriter, question: str, answer: str) -> None:
    if question:
        writer.write("prompt", text=question, answer=answer)


def _leave_safe(station: Station, identities: dict[str, Identity]) -> None:
    """Before a refusal: a load that answers is not left driving what somebody else switched on. Raises NotSafe."""
    name = station.load.name
    if name in identities and not station.load.address.startswith(REPLAYED):
        states = make_all_safe({name: station.load}, [name])
        if not all(s.confirmed for s in states):
            raise NotSafe(not_safe_message(states))


def _said(attendance: Attendance, accepted: list[dict[str, str]], around: Surroundings) -> dict[str, Any]:
    """What a part of a run begins with: what was set aside, and what was confirmed."""
    return {"overrides": accepted, "cautions": attendance.cautions, "replayed": around.replayed}


def _write_identities(writer: RecordWriter, identities: dict[str, Identity]) -> None:
    for name, identity in identities.items():
        writer.write("identity", instrument=name, identity=identity.text, serial=identity.serial)


def _execute_guarded(
    runner: Runner,
    inputs: Inputs,
    station: Station,
    writer: RecordWriter,
    stop: StopSignal,
    out: Path,
    around: Surroundings,
) -> None:
    """Execute with a guard standing by; it is stood down only when the bench is known to be safe."""
    try:
        if not around.guarded or station.load.by_person:
            around.watch(stop)
            execute(runner, inputs.procedure, inputs.options, station, writer)
            return
        writer.announce = stop.activity.bounded
        guard = Guard(inputs.bench, inputs.folders, (out / GUARD_REPORT).resolve(), stop)
        stop.watch(guard.trouble)
        around.watch(stop)
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


def refuse_needless(bench: Bench, overrides: Sequence[str], rehearsal_problems: Sequence[str], today: dt.date) -> None:
    """Raise UserError for overrides of what is known to be no problem before anything is opened.

    Whether another serial number answers is known only then; here its instrument must be one that can answer and states it.
    """
    possible = {"rehearsal"} if rehearsal_problems else set()
    possible |= set(calibration_problems(bench, today))
    for name, entry in bench.instruments.items():
        if entry.serial and not entry.by_person:
            possible.add(f"serial:{name}")
        if entry.address.startswith(REPLAYED):
            possible.add(f"replayed:{name}")
    if unused := [f"--override {o}: {NO_SUCH_PROBLEM}" for o in overrides if o not in possible]:
        raise UserError([*unused, "nothing was energised"])


def overrides_of(names: Sequence[str]) -> tuple[str, ...]:
    """The overrides a user named. Raises UserError for one that is not of a known form."""
    wrong = [n for n in names if n != "rehearsal" and n.partition(":")[0] not in ("serial", "due", "replayed")]
    if wrong:
        raise UserError(
            [
                f"--override {n}: expected rehearsal, serial:INSTRUMENT, due:INSTRUMENT or replayed:INSTRUMENT"
                for n in wrong
            ]
        )
    return tuple(names)
