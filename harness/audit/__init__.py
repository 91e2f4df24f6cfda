"""Whether a record can be what a run wrote, beyond its hashes: anybody can compute those anew.

Its lines have the shape of their kind, its values are what was received, its course and times are those of a run, and its
points those of the procedure. What agrees with itself in all of this cannot be told from a true record.
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
"""Mismatches told one by one; one edit can leave hundreds."""


def check_lines(record: Record, name: str) -> None:
    """Raise RecordError unless every line of `record`, called `name`, can be one that a run wrote.

    One line for each mismatch: file, line, what was found and what is expected.
    """
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
    """Raise RecordError unless `record`, whose lines were checked, holds the points that `procedure` takes on this bench."""
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
    """The profiles a record keeps. Raises RecordError."""
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
    """What the load can be set to, by the drivers of the run; nothing is opened."""
    name, entry = bench.roles.load, bench.entry("load")
    if entry.by_person:
        return PersonLoad(name, ScriptedPerson(), entry.serial, (), lambda _: None)
    return ScpiLoad(name, entry.address, profiles[name], _no_link, float)


def _no_link() -> NoReturn:
    raise AssertionError("a record is checked without instruments")
