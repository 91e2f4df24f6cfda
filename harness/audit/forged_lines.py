"""Where forged or carelessly edited lines of a record are found: consistency checks beyond its hashes, which anybody can compute anew.

They cover the shape of each line, values against raw replies, the order and times of the run, and the points of the procedure. A forged
record consistent in all of these cannot be told from a true one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from typing import NoReturn

from pydantic import ValidationError

from harness.audit.procedure_rerun import departures_from_procedure
from harness.audit.received_values import identities, values
from harness.audit.recorded_points import Done, followed
from harness.audit.run_order import run_order, times
from harness.audit.shape_check import shape
from harness.core.errors import RecordError, UserError
from harness.files.bench import Bench
from harness.files.device import Device
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


def check_lines(record: Record, name: str) -> Done:
    """The points of `record`, called `name`. Raises RecordError unless a run can have written every line; lists file, line, found and expected.

    The lines are gone through once, every check in step with the others, since those of a long record are read from its file.
    """
    device, bench, profiles = _begun(record, name)
    by_standard = {line["point"] for line in record.of_kind("point") if line["direction"] == "check"}
    done, found, seen = Done(), list(identities(record, bench, profiles)), 0
    of_order, of_times, of_values, of_points = itertools.tee(
        itertools.takewhile(lambda line: not shape(line), record.lines), 4
    )
    checks = zip(
        run_order(of_order, bench),
        times(of_times),
        values(of_values, bench, profiles, by_standard),
        followed(of_points, device, bench, done),
        strict=True,
    )
    for seen, wrong in enumerate(checks, start=1):
        found += ((seen - 1, text) for texts in wrong for text in texts)
    if seen < len(record.lines):
        _refuse_shapes(record, name)
    _refuse(name, sorted(found))
    return done


def check_points(record: Record, name: str, procedure: Procedure, done: Done) -> None:
    """Raise RecordError unless the `done` that `check_lines` found in `record` are the points that `procedure` takes on this bench."""
    device, bench = device_and_bench(record)
    load = _load(bench, _profiles(record, bench, name))
    _refuse(name, departures_from_procedure(record, done, device, bench, procedure, load))


def _begun(record: Record, name: str) -> tuple[Device, Bench, Mapping[str, Profile]]:
    """Device, bench and profiles that the run was made with. Raises RecordError; shapes are told first."""
    if any(shape(line) for line in (record.start, *record.of_kind("environment", "identity", "point"))):
        _refuse_shapes(record, name)
    try:
        if record.start["kind"] != "start":
            raise RecordError(f"{name}: line 1: found kind '{record.start['kind']}', expected start")
        device, bench = device_and_bench(record)
        return device, bench, _profiles(record, bench, name)
    except UserError as failure:
        _refuse_shapes(record, name)
        if isinstance(failure, RecordError):
            raise
        raise RecordError([f"{name}: line 1: {problem}" for problem in failure.problems]) from None


def _refuse_shapes(record: Record, name: str) -> None:
    _refuse(name, ((number, text) for number, line in enumerate(record.lines) for text in shape(line)))


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
