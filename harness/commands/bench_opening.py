"""What comes before a run: every instrument opened and identified, and the part in the reference path seen by somebody."""

import datetime as dt
from dataclasses import dataclass

from harness.commands.attendance import NO_SUCH_PROBLEM, Attendance
from harness.core.errors import NotSafe, UserError
from harness.evaluation.traceability import CONFIRMED, NOT_ASKED, question_of_the_part
from harness.files.bench import Bench
from harness.safety.safing import make_all_safe, not_safe_message
from harness.station.identification import identity_problems
from harness.station.station import Station, open_each
from instruments.links.address import REPLAYED
from instruments.reading import Identity


@dataclass(frozen=True)
class Opened:
    """Who answered, the problems that were set aside by name, and what was asked about the part in the reference path."""

    identities: dict[str, Identity]
    accepted: list[dict[str, str]]
    question: str
    answer: str


def opened(bench: Bench, station: Station, attendance: Attendance, today: dt.date) -> Opened:
    """Open and identify everything; what is wrong with it must have been set aside by name. Raises UserError, NotSafe."""
    identities, silent = open_each(station)
    problems = identity_problems(bench, identities, today)
    refused = [
        f"{text} (to continue anyway: --override {name})"
        for name, text in problems.items()
        if name not in attendance.overrides
    ]
    needed = {*problems, *(["rehearsal"] if attendance.rehearsal_problems else [])}
    unused = [f"--override {o}: {NO_SUCH_PROBLEM}" for o in attendance.overrides if o not in needed]
    if silent or refused or unused:
        _leave_safe(station, identities)
        raise UserError([*silent, *refused, *unused])
    accepted = [{"name": name, "problem": text} for name, text in problems.items()]
    return Opened(identities, accepted, *_part_seen(bench, station, identities, attendance))


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
            f"{bench.reference_path.part_name} is not the part in the reference path: describe the part that is "
            "in [reference_path.part], with its own certificate; nothing was energised"
        )
    return question, answer


def _leave_safe(station: Station, identities: dict[str, Identity]) -> None:
    """Before a refusal: a load that answers is not left driving what somebody else switched on. Raises NotSafe."""
    name = station.load.name
    if name in identities and not station.load.address.startswith(REPLAYED):
        states = make_all_safe({name: station.load}, [name])
        if not all(s.confirmed for s in states):
            raise NotSafe(not_safe_message(states))
