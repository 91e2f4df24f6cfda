"""The person at the terminal of a run: how they are asked, what they set aside by name, and what they confirm before anything can be energised."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from harness.commands.arguments import Attended
from harness.core.clock import RealClock
from harness.core.errors import UserError
from harness.core.output import tell, wrapped
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.files.bench import Bench
from harness.record.journal import Record
from harness.safety.cautions import CAUTIONS, CONFIRMED_BEFOREHAND, NOT_VERIFIED, READY, Cautions
from harness.station.identification import calibration_problems
from instruments.links.address import REPLAYED
from instruments.operator import keyboard
from instruments.operator.person import ConsolePerson, Person

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


def check_attended(options: Attended) -> None:
    """Refuse overrides of no known form, and a name that is no text: it could not be written into the record. Raises UserError."""
    known = ("serial", "due", "replayed")
    if wrong := [n for n in options.overrides if n != "rehearsal" and n.partition(":")[0] not in known]:
        expected = "rehearsal, serial:INSTRUMENT, due:INSTRUMENT or replayed:INSTRUMENT"
        raise UserError([f"--override {n}: expected {expected}" for n in wrong])
    try:
        options.operator.encode("utf-8")
    except UnicodeEncodeError:
        raise UserError(f"--operator {options.operator!r}: is not text in UTF-8") from None


def refuse_needless(bench: Bench, overrides: Sequence[str], rehearsal_problems: Sequence[str]) -> None:
    """Raise UserError for overrides of what is known to be no problem before anything is opened.

    Whether another serial number answers is known only then; here its instrument must be one that can answer and states it.
    """
    possible = {"rehearsal"} if rehearsal_problems else set()
    possible |= set(calibration_problems(bench, RealClock().wall().date()))
    for name, entry in bench.instruments.items():
        if entry.serial and not entry.by_person:
            possible.add(f"serial:{name}")
        if entry.address.startswith(REPLAYED):
            possible.add(f"replayed:{name}")
    if unused := [f"--override {o}: {NO_SUCH_PROBLEM}" for o in overrides if o not in possible]:
        raise UserError([*unused, "nothing was energised"])


def attending(
    options: Attended, progress: Progress, stop: StopSignal, rehearsal_problems: tuple[str, ...]
) -> Attendance:
    """Whoever sits at the terminal; the live display makes way while they are asked."""

    def paused(read: Callable[[str], str]) -> Callable[[str], str]:
        def ask(text: str) -> str:
            with progress.paused():
                return read(wrapped(text))

        return ask

    person = ConsolePerson(
        paused(stop.ask), progress.note, paused(stop.ask_always), paused(lambda text: stop.ask(text, keyboard.ask))
    )
    return Attendance(
        options.operator,
        options.overrides,
        person,
        progress,
        stop,
        rehearsal_problems,
        options.transcript,
        "confirmed beforehand" if options.cautions_read else "confirmed",
    )


def check_somebody_is_there(bench: Bench, cautions_read: bool) -> None:
    """Refuse, before anything else, what would have to ask a person who cannot answer. Raises UserError."""
    if keyboard.at_terminal():
        return
    if asking := _moved_by_person(bench):
        raise UserError(
            f"{', '.join(asking)}: what a person does there is confirmed at a terminal, and standard input is not one"
        )
    if not cautions_read:
        raise UserError(
            f"the cautions are confirmed at a terminal, and standard input is not one (or with --cautions-read. {CONFIRMED_BEFOREHAND})"
        )


def left_not_safe(record: Record) -> str:
    """What an interrupted run may have left energised, as its last line says; empty when it says nothing of the kind."""
    last = record.lines[-1]
    if last["kind"] != "stop" or last["outcome"] != "not safe":
        return ""
    return f"THE LAST RUN ENDED NOT SAFE, and a load may still be on: {last['reason']}"


def confirm_cautions(attendance: Attendance, console: Console, left: str = "") -> None:
    """Show what the rehearsal says and was set aside, and the cautions; have them confirmed, or show what has been confirmed beforehand. Raises UserError.

    Nothing that can energise anything starts before somebody has said that they have read them. `left` is what the run before
    may have left energised: it is told first, and when somebody will not go on.
    """
    with attendance.progress.paused():
        tell(console, [left] if left else [])
        if attendance.rehearsal_problems:
            set_aside = (f"  - {problem}" for problem in attendance.rehearsal_problems)
            tell(console, ["SET ASIDE by --override rehearsal, on the certificate too:", *set_aside])
        tell(console, ["CAUTIONS", *(f"  - {caution}" for caution in (*CAUTIONS, NOT_VERIFIED))])
        if attendance.cautions == "confirmed beforehand":
            tell(console, [CONFIRMED_BEFOREHAND])
            return
    if attendance.person.choose(READY, ["yes", "no"]) != "yes":
        raise UserError(
            ["the cautions were not confirmed; nothing was energised by this command", *([left] if left else [])]
        )


def _moved_by_person(bench: Bench) -> list[str]:
    """The instruments that a person plugs in, turns or moves leads of."""
    roles = bench.roles
    turned = [name for name in (roles.load, roles.switch) if bench.instruments[name].by_person]
    ranged = [name for name in (roles.reference, roles.secondary) if name is not None]
    return turned + [n for n in ranged if bench.instruments[n].by_person and len(bench.instruments[n].ranges) > 1]
