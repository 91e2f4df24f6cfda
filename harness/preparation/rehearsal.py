"""Rehearsal of a run: the same runner and procedure on a simulated bench in virtual time, before anything is energised."""

import datetime as dt
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.core.errors import RatioproofError, UserError
from harness.core.progress import Progress
from harness.core.quantities import format_duration, format_quantity
from harness.core.stop import StopSignal
from harness.design.check import check
from harness.evaluation.beyond_ratio.endurance_results import FEWEST_HELD
from harness.evaluation.beyond_ratio.waveform_results import NOT_COMPARED
from harness.evaluation.diagnosis.causes import extended
from harness.evaluation.producer_risk import Rejection
from harness.evaluation.ratio.uncalibrated_points import uncalibrated
from harness.evaluation.run_evaluation import evaluate
from harness.preparation.claim_support import everything_judged, unsupported
from harness.preparation.ranges_without_points import ranges_without_points
from harness.preparation.rejection_probability import rejection_of
from harness.preparation.run_files import RunInputs, profiles_kept
from harness.preparation.shelf_notes import (
    cautions_of_loads,
    left_out,
    loads_not_used,
    ranges_without_a_sine,
    shapes_read_by_the_reference,
)
from harness.preparation.twin import TwinLinks, describe, displays
from harness.record.history import observed_points
from harness.record.journal import FORMAT, Record, RecordWriter, parse_record
from harness.results import Results
from harness.run.run_context import RunContext
from harness.run.runner import Runner
from harness.run.time_on import OF_TIME_ON
from harness.safety.execution import execute
from harness.station.station import assemble, open_all
from harness.steps import words_hash
from harness.wording.sentences import reason_line
from instruments.errors import InstrumentError
from instruments.operator.person import ScriptedPerson
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench


@dataclass(frozen=True)
class Rehearsal:
    """Result of a rehearsal: seconds from the start to the end of each point, results of a healthy twin, problems.

    `power_factors` of the points with power, by name, negative when leading: asked of the load, or its own. `notes`: deviations from the
    request that do not prevent the run. `rejection`: probability that a sound meter is not passed, None when no error of current or power
    is judged.
    """

    durations: tuple[float, ...]
    results: Results
    problems: tuple[str, ...]
    power_factors: Mapping[str, float]
    rejection: Rejection | None = None
    notes: tuple[str, ...] = ()

    @property
    def smallest_test_uncertainty_ratio(self) -> float:
        """Limit over expanded uncertainty at the worst point."""
        judged = (j for r in self.results.ranges for same in everything_judged(r).values() for j in same)
        return min((j.test_uncertainty_ratio for j in judged), default=float("inf"))


def rehearsal_of(inputs: RunInputs, stop: StopSignal, progress: Progress | None = None) -> Rehearsal:
    """Run the procedure on the twin of the described bench. Raises UserError when it cannot even be rehearsed."""
    progress = progress or Progress()
    description = describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, ())
    twin = SimulatedBench(description, VirtualClock(dt.datetime.now(dt.UTC)))
    record = run_on_twin(inputs, twin, stop, progress)
    if not any(record.of_kind("point", "skip")):
        raise UserError(f"procedure {inputs.procedure.name}: found no point to observe, expected at least one")
    progress.doing("evaluating")
    results = evaluate(record, "rehearsal")
    began = dt.datetime.fromisoformat(record.start["at"])
    durations = tuple(
        (dt.datetime.fromisoformat(line["at"]) - began).total_seconds() for line in record.of_kind("point", "skip")
    )
    sheet = check(inputs.device)
    objections = [f"on paper, {f.range or 'all ranges'}: {f.text}" for f in sheet.findings if f.stops_a_run]
    progress.doing("drawing sound meters")
    return Rehearsal(
        durations,
        results,
        (*objections, *_problems(inputs, record, results), *_uncalibrated(inputs, record)),
        _power_factors(record, results),
        rejection_of(record, results, extended(inputs.causes_text, inputs.causes_file)),
        (
            *loads_not_used(inputs.device, inputs.bench, record),
            *cautions_of_loads(inputs.device, inputs.bench, record),
            *ranges_without_a_sine(inputs.device, inputs.bench),
            *shapes_read_by_the_reference(inputs.device, inputs.bench, record),
            *(text for text, enough in _holds_cut(record) if enough),
        ),
    )


def start_fields(inputs: RunInputs, software: str, operator: str) -> dict[str, object]:
    """The content of a record's first line, as of a simulated run."""
    procedure = inputs.procedure
    return {
        "format": FORMAT,
        "software": software,
        "operator": operator,
        "device_file": inputs.device_file,
        "device_text": inputs.device_text,
        "bench_file": str(inputs.bench_file.resolve()),
        "bench_text": inputs.bench_text,
        "procedure": {
            "asked": inputs.asked,
            "name": procedure.name,
            "title": procedure.title,
            "revision": procedure.revision,
            "description": procedure.description,
            "text_hash": procedure.text_hash,
            "words_hash": words_hash(),
            "text": procedure.text if inputs.asked.endswith(".py") else "",
        },
        "options": {
            "readings": inputs.options.readings,
            "per_decade": inputs.options.per_decade,
            "hold": inputs.options.hold,
        },
        "profiles": profiles_kept(inputs),
        "overrides": [],
        "cautions": "simulated",
        "replayed": False,
        **({"causes_file": inputs.causes_file, "causes_text": inputs.causes_text} if inputs.causes_text else {}),
    }


def run_on_twin(inputs: RunInputs, twin: SimulatedBench, stop: StopSignal, progress: Progress) -> Record:
    """The record of a run on `twin`, whose clock is a virtual one. Raises UserError where it was not completed."""
    clock = twin.clock
    assert isinstance(clock, VirtualClock)
    person = ScriptedPerson(displays=displays(twin), default="go on", wait=clock.sleep)
    station = assemble(
        inputs.device, inputs.bench, person=person, clock=clock, links=TwinLinks(twin), folders=inputs.folders
    )
    stream = io.BytesIO()
    writer = RecordWriter(stream, clock, sync=False)
    writer.write("start", **start_fields(inputs, "rehearsal", ""))
    identities = open_all(station)
    for name, identity in identities.items():
        writer.write("identity", instrument=name, identity=identity.text, serial=identity.serial)
    context = RunContext(inputs.device, inputs.bench, station, identities, writer, clock, stop, progress)
    try:
        execute(Runner(context), inputs.procedure, inputs.options)
    except (RatioproofError, InstrumentError) as failure:
        stop.check()
        raise UserError(f"the rehearsal was not completed: {failure}") from failure
    finally:
        station.close()
    return parse_record(stream.getvalue(), "rehearsal")


def _uncalibrated(inputs: RunInputs, record: Record) -> list[str]:
    """Reasons why points could not be evaluated, one line each."""
    points: dict[str, list[str]] = {}
    for point, why in uncalibrated(inputs.device, inputs.bench, observed_points(record)):
        points.setdefault(f"{point.range}: {why}", []).append(point.name)
    return [
        f"{names[0]}{f' and {len(names) - 1} more' if len(names) > 1 else ''} would not be evaluated: {why}"
        for why, names in points.items()
    ]


def _power_factors(record: Record, results: Results) -> dict[str, float]:
    found = {p.name: round(p.power_factor, 2) for rng in results.ranges for p in rng.power}
    with_power = (line for line in record.of_kind("point") if line.get("power") and "power_factor" in line)
    asked = {line["name"]: line["power_factor"] for line in with_power}
    return found | asked


def _cuts_a_hold(line: dict[str, Any]) -> bool:
    return bool(line["direction"] == "hold" and line["reason"].endswith(OF_TIME_ON))


def _holds_cut(record: Record) -> Iterator[tuple[str, bool]]:
    """Holds that end because of the longest time their load may be on, and whether the rest still shows a drift."""
    for cut in filter(_cuts_a_hold, record.of_kind("skip")):
        held = [p for p in record.of_kind("point") if p["range"] == cut["range"] and p["direction"] == "hold"]
        enough = len(held) >= FEWEST_HELD
        seconds = held[-1]["elapsed"] - held[0]["elapsed"] if held else 0.0
        current = (
            f"{format_quantity(held[-1]['nominal_current'], 'A')} for {format_duration(seconds)}" if held else "nothing"
        )
        found = f"{cut['range']}: {current} would be held: {cut['reason']}"
        yield found if enough else f"{found}; no drift is found from fewer than {FEWEST_HELD} points", enough


def _problems(inputs: RunInputs, record: Record, results: Results) -> list[str]:
    """Reasons why the run would be useless or points refused, one line each."""
    names: dict[str, list[str]] = {}
    for line in record.of_kind("skip"):
        if not _cuts_a_hold(line):
            names.setdefault(line["reason"], []).append(line["name"])
    problems = list(left_out(record, names, inputs.device, inputs.bench))
    problems += [text for text, enough in _holds_cut(record) if not enough]
    problems += ranges_without_points(inputs, results)
    problems += [reason_line(reason) for reason in results.reasons if reason.code == NOT_COMPARED]
    asked = [line for line in record.of_kind("point") if line.get("power") and line["direction"] == "single"]
    if asked and not any(r.power for r in results.ranges):
        problems.append(
            f"{asked[0]['name']}: no power would be read: the device file must state display.power_resolution, and the bench "
            "file power of the reference with phase_uncertainty (or phase_bound) of the part in its path, or voltage and a load of known "
            "power_factor_uncertainty"
        )
    unread = [point.name for rng in results.ranges for point in rng.points if point.indicated_current == 0]
    problems += [f"{name} cannot be read: it is below the smallest current displayed" for name in unread]
    return [*problems, *unsupported(results)]
