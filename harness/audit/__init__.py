"""Consistency checks of a record beyond its hashes, which anybody can compute anew.

They cover the shape of each line, values against raw replies, the course and times of the run, and the points of the procedure. A forged
record consistent in all of these cannot be told from a true one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NoReturn

from pydantic import ValidationError

from harness.audit.course import course
from harness.audit.procedure_rerun import departures_from_procedure
from harness.audit.received_values import identities, values
from harness.audit.recorded_points import done
from harness.audit.shape_check import shape
from harness.core.errors import RecordError, UserError
from harness.files.bench import Bench
from harness.record.history import device_and_bench
from harness.record.journal import Record
from harness.run.bench_options import Settable
from harness.steps import Procedure
from instruments.drivers.over_links import ScpiLoad
from instruments.drivers.shelf_load import PersonLoad
from instruments.operator.person import ScriptedPerson
from instruments.profile import Profile

MOST_TOLD = 20
"""Largest number of mismatches listed; one edit can leave hundreds."""


def check_lines(record: Record, name: str) -> None:
    """Raise RecordError unless a run can have written every line of `record`, called `name`; lists file, line, found and expected."""
    _refuse(name, shape(record))
    if record.start["kind"] != "start":
        raise RecordError(f"{name}: line 1: found kind '{record.start['kind']}', expected start")
    try:
        device, bench = device_and_bench(record)
    except UserError as failure:
        raise RecordError([f"{name}: line 1: {problem}" for problem in failure.problems]) from None
    profiles = _profiles(record, bench, name)
    found = [
        *course(record, bench),
        *identities(record, bench, profiles),
        *values(record, bench, profiles),
        *done(record, device, bench).problems,
    ]
    _refuse(name, sorted(found))


def check_points(record: Record, name: str, procedure: Procedure) -> None:
    """Raise RecordError unless `record`, its lines already checked, holds the points that `procedure` takes on this bench."""
    device, bench = device_and_bench(record)
    load = _load(bench, _profiles(record, bench, name))
    _refuse(name, departures_from_procedure(record, done(record, device, bench), device, bench, procedure, load))


def _refuse(name: str, found: Iterable[tuple[int, str]]) -> None:
    problems = [f"{name}: line {number + 1}: {text}" for number, text in found]
    if len(problems) > MOST_TOLD:
        problems = [*problems[:MOST_TOLD], f"{name}: and {len(problems) - MOST_TOLD} more"]
    if problems:
        raise RecordError(problems)


def _profiles(record: Record, bench: Bench, name: str) -> Mapping[str, Profile]:
    """Profiles kept in the record. Raises RecordError."""
    kept = record.start["profiles"]
    needed = {n for n, entry in bench.instruments.items() if not entry.by_person}
    if kept.keys() != needed:
        raise RecordError(f"{name}: line 1: profiles: found {sorted(kept)}, expected {sorted(needed)}")
    found = {}
    for instrument, profile in kept.items():
        try:
            found[instrument] = Profile.model_validate(profile)
        except ValidationError as failure:
            problem = failure.errors()[0]
            key = ".".join(str(part) for part in (instrument, *problem["loc"]))
            raise RecordError(f"{name}: line 1: profiles.{key}: {problem['msg']}") from None
    return found


def _load(bench: Bench, profiles: Mapping[str, Profile]) -> Settable:
    """The load as the drivers of the run see it; nothing is opened."""
    name, entry = bench.roles.load, bench.entry("load")
    if entry.by_person:
        return PersonLoad(name, ScriptedPerson(), entry.serial, (), lambda _: None)
    return ScpiLoad(name, entry.address, profiles[name], _no_link, float)


def _no_link() -> NoReturn:
    raise AssertionError("a record is checked without instruments")
