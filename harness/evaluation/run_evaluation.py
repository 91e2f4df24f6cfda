"""Evaluation of a record, which needs nothing else, so that anyone can recompute a certificate."""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.claims.claim_text import limits_in_words
from harness.core.errors import RecordError, UserError
from harness.core.quantities import format_quantity
from harness.core.version import software
from harness.current_limits.ratings import own
from harness.design.check import check
from harness.evaluation.conditions import at_the_frequency_measured, conditions, load_waveforms
from harness.evaluation.conformity.decision import decision_rule
from harness.evaluation.diagnosis.causes import extended
from harness.evaluation.diagnosis.diagnosis import ConsideredCauses
from harness.evaluation.range_evaluation import EvaluationOptions, RangesOutcome, evaluate_ranges
from harness.evaluation.traceability import reference_chain
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.instrument_entry import InstrumentEntry
from harness.record.history import clock_steps, device_and_bench, observed_points, observed_ranges, stated_bench
from harness.record.journal import Record
from harness.results import (
    CONTRADICTION,
    SCHEMA,
    ClaimPart,
    DeviceSummary,
    InstrumentSummary,
    Results,
    Run,
    ratio_taken,
)


@dataclass(frozen=True)
class ReplacementCauses:
    """A user's causes that take the place of those in a record: the text, and the file it was read from."""

    text: str
    file: str


def evaluate(
    record: Record,
    record_file: str,
    *,
    trials: int = 0,
    causes: ReplacementCauses | None = None,
    overrides: Sequence[str] = (),
    compared: bool = False,
) -> Results:
    """Evaluate a complete record; `record_file` is the name printed beside its hash, `trials` validate it by Monte Carlo.

    `overrides` names what is set aside (`CONTRADICTION`). `compared`: whether its points were found to be those of its procedure.
    Raises RecordError when the run was not finished, UserError for a mistake in `causes` or an override without its problem.
    """
    if not record.complete:
        stops = list(record.of_kind("stop"))
        how = f"ended {stops[-1]['outcome']}: {stops[-1]['reason']}" if stops else "was interrupted"
        raise RecordError(f"{record_file}: the run {how}; resume it to the end, only a complete run is evaluated")
    device, bench = device_and_bench(record)
    finished = record.lines[-1]["at"]
    points = observed_points(record)
    as_it_was, other_frequency = at_the_frequency_measured(device, points)
    outcome = evaluate_ranges(
        as_it_was,
        bench,
        points,
        observed_ranges(record),
        dt.datetime.fromisoformat(finished).date(),
        EvaluationOptions(trials, _causes(record, causes), contradiction_overridden=CONTRADICTION in overrides),
    )
    if CONTRADICTION in overrides and not outcome.contradictions:
        raise UserError(f"--override {CONTRADICTION}: the readings of {record_file} do not contradict each other")
    if other_frequency:
        outcome = replace(outcome, verdict="fail", reasons=(*other_frequency, *outcome.reasons))
    return Results(
        schema=SCHEMA,
        run=_run(record, bench, record_file, overrides, compared),
        device=_device(device, outcome),
        instruments=_instruments(record, bench),
        decision=decision_rule(bench.decision, device.claim, outcome.ranges),
        reference_chain=reference_chain(as_it_was, bench, record),
        open_on_paper=check(device).open,
        conditions=conditions(device, bench, stated_bench(record), record, points),
        waveforms=load_waveforms(bench, points),
        **vars(outcome),
    )


def _causes(record: Record, instead: ReplacementCauses | None) -> ConsideredCauses:
    """The causes to compare with, and where some were added from: `given` to the evaluation, or `kept` in the record."""
    if instead is not None:
        return ConsideredCauses(extended(instead.text, instead.file), {"given": Path(instead.file).name})
    text, file = record.start.get("causes_text", ""), record.start.get("causes_file", "")
    return ConsideredCauses(extended(text, file), {"kept": Path(file).name} if text else {})


def _run(record: Record, bench: Bench, record_file: str, overridden: Sequence[str], compared: bool) -> Run:
    start = record.start
    procedure: dict[str, Any] = start["procedure"]
    overrides = [o["problem"] for line in record.of_kind("start", "resume") for o in line["overrides"]]
    overrides += [
        f"{' '.join(line['text'].split())} Answer: {line['answer']}."
        for line in record.of_kind("prompt")
        if line["answer"] == "go on"
    ]
    return Run(
        laboratory=bench.laboratory.name,
        laboratory_address=bench.laboratory.address,
        laboratory_statement=bench.laboratory.statement,
        operator=start["operator"],
        started=start["at"],
        finished=record.lines[-1]["at"],
        procedure=procedure["name"],
        procedure_title=procedure["title"],
        procedure_revision=procedure["revision"],
        procedure_description=procedure["description"],
        procedure_hash=procedure["text_hash"],
        temperature=bench.environment.temperature,
        relative_humidity=bench.environment.relative_humidity,
        reference_path=_reference_path(bench),
        resumed=sum(1 for _ in record.of_kind("resume")),
        overrides=tuple(dict.fromkeys([*overrides, *overridden])),
        simulated=any(line["identity"].startswith("Simulated,") for line in record.of_kind("identity")),
        record_file=record_file,
        record_lines=len(record.lines),
        record_hash=record.last_hash,
        software=start["software"],
        evaluated_by=software(),
        replayed=any(line["replayed"] for line in record.of_kind("start", "resume")),
        clock_steps=tuple(clock_steps(record)),
        procedure_compared=compared,
    )


def _reference_path(bench: Bench) -> str:
    path = bench.reference_path
    if path.part is None:
        return "direct, in series with the meter's path"
    resistance = path.part.resistance or 0.0
    if path.kind == "shunt":
        return f"across the {path.part_name} of {format_quantity(resistance, 'ohm')}"
    looped = f", load lead passed {path.loops} times through its window" if path.loops > 1 else ""
    size = f"{path.part.ratio:g}:1" if path.part.ratio else f"{format_quantity(resistance, 'V')} per ampere"
    return f"through the {path.part_name} of {size}{looped}"


def _device(device: Device, outcome: RangesOutcome) -> DeviceSummary:
    transformer, path = device.transformer, device.path
    named = [
        ("range switch", path.switch),
        ("conductor", path.conductor),
        ("fuse", path.fuse),
        ("supply socket", path.supply_socket),
        ("secondary fuse", path.secondary_fuse),
    ]
    for rng in device.ranges:
        named += [(own("conductor", rng), rng.conductor), (own("fuse", rng), rng.fuse)]
    ratings = {name: format_quantity(value, "A") for name, value in named if value is not None}
    if bypassing := [rng.name for rng in device.ranges if rng.bypasses_switch]:
        ratings["range switch"] += f", bypassed on {', '.join(bypassing)}"
    if path.cross_section:
        ratings["conductor cross-section"] = path.cross_section
    return DeviceSummary(
        **device.identity.model_dump(),
        secondary_turns=transformer.secondary_turns,
        rated_secondary_current=transformer.rated_secondary_current,
        maximum_secondary_current=transformer.maximum_secondary_current,
        burden=transformer.burden,
        frequency=transformer.frequency,
        resolution=device.display.resolution,
        smallest_readable_current=device.display.smallest_readable_current,
        power_resolution=device.display.power_resolution,
        energy_resolution=device.display.energy_resolution,
        path_ratings=ratings,
        claim=_claim(device, outcome),
    )


def _claim(device: Device, outcome: RangesOutcome) -> tuple[ClaimPart, ...]:
    """The parts of the claim, and which of them the run verified."""
    looked_at = {
        "ratio error": ratio_taken(outcome.ranges, outcome.bench_check),
        "phase displacement": any(r.phase for r in outcome.ranges),
        "power error": any(r.power for r in outcome.ranges),
        "influence of the waveform": any(r.waveforms for r in outcome.ranges),
    }
    return tuple(ClaimPart(error, limit, looked_at[error]) for error, limit in limits_in_words(device.claim).items())


def _instruments(record: Record, bench: Bench) -> tuple[InstrumentSummary, ...]:
    latest = {line["instrument"]: line for line in record.of_kind("identity")}
    roles: dict[str, str] = {}
    for role, name in bench.roles.model_dump().items():
        # A reference that reads the voltage too is first of all the reference.
        roles.setdefault(name, role)
    return tuple(
        InstrumentSummary(
            name=name,
            role=roles.get(name, ""),
            profile=entry.profile,
            identity=latest[name]["identity"],
            serial=latest[name]["serial"] or entry.serial,
            certificate=entry.calibration.certificate if entry.calibration else "",
            calibrated=entry.calibration.date.isoformat() if entry.calibration else "",
            due=entry.calibration.due.isoformat() if entry.calibration else "",
            laboratory=entry.calibration.laboratory if entry.calibration else "",
            accuracy=_accuracy(entry),
        )
        for name, entry in bench.instruments.items()
        if name in latest
    )


def _accuracy(entry: InstrumentEntry) -> tuple[str, ...]:
    told = [
        f"{format_quantity(r.full_scale, r.unit)} range: ± ({r.of_reading * 100:g} % of reading + {r.of_range * 100:g} % of range)"
        for r in entry.ranges
    ]
    if entry.voltage is not None:
        told.append(f"voltage: ± {entry.voltage.of_reading * 100:g} % of reading")
    if entry.power is not None:
        angle = math.degrees(entry.power.phase)
        told.append(f"power: ± {entry.power.of_reading * 100:g} % of reading, angle of its channels ± {angle:g}°")
    if entry.frequency is not None:
        told.append(f"frequency: ± {entry.frequency.of_reading * 100:g} % of reading")
    return tuple(told)
