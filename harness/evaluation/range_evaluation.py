"""Evaluation of every range of a run: readings, further findings and verdicts; and of the whole."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from harness.causes import Catalogue
from harness.evaluation.additional.check_standard import bench_check
from harness.evaluation.additional_results import Additional, additional_results
from harness.evaluation.conformity.fail_reasons import left_out_beyond
from harness.evaluation.diagnosis import (
    ConsideredCauses,
    Diagnosis,
    FurtherEvidence,
    PowerError,
    SmallestReadable,
    diagnose,
)
from harness.evaluation.diagnosis.contradiction import no_whole_number, none_explains, other_way_down
from harness.evaluation.power.power_errors import PowerValues, power_values
from harness.evaluation.ratio.effective_turns import base_usable, compare_with_base, reading_factor
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.ratio.uncalibrated_points import calibrated_only
from harness.evaluation.ratio_results import RangeReadings, allowed, ratio_results
from harness.evaluation.uncertainty.input_quantities import InputQuantities, nominal
from harness.evaluation.uncertainty.repeatability import run_scatter
from harness.evaluation.validation.checks import ratio_checks
from harness.evaluation.validation.ratio_models import Check, validate
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.observations import ObservedPoint, ObservedRange
from harness.results import (
    BenchCheck,
    DiagnosisDetails,
    Hypothesis,
    RangeResult,
    Reason,
    Validation,
    Verdict,
    worst_verdict,
)


@dataclass(frozen=True)
class RangesOutcome:
    """All ranges, their explanation, and the verdict with its reasons; `contradictions` are told also where they were overridden."""

    ranges: tuple[RangeResult, ...]
    diagnosis: tuple[Hypothesis, ...]
    diagnosis_notes: tuple[Reason, ...]
    verdict: Verdict
    reasons: tuple[Reason, ...]
    diagnosis_details: DiagnosisDetails
    validation: Validation | None = None
    bench_check: BenchCheck | None = None
    contradictions: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class EvaluationOptions:
    """Options beyond the run: the number of Monte Carlo `trials`, other `causes` than the shipped ones and where they
    come from, and whether readings that contradict each other are to pass.
    """

    trials: int = 0
    causes: Catalogue | None = None
    causes_origin: Mapping[str, str] = field(default_factory=dict)
    contradiction_overridden: bool = False


@dataclass(frozen=True)
class EvaluatedRange:
    """A range's result, why it is no plain pass, and data for further evaluation."""

    result: RangeResult
    reasons: tuple[Reason, ...]
    contradictions: tuple[Reason, ...]
    additional: Additional
    checks: Mapping[str, Check]


def evaluate_ranges(
    device: Device,
    bench: Bench,
    points: Sequence[ObservedPoint],
    ranges: Sequence[ObservedRange],
    run_date: dt.date,
    options: EvaluationOptions = EvaluationOptions(),
) -> RangesOutcome:
    """Evaluate the finished `points` of a run made on `run_date`; `ranges` holds maximum test currents and points left out."""
    points, ranges = calibrated_only(device, bench, points, ranges)
    inputs = _inputs(device, bench, points, run_date)
    everything = [point_values(device, inputs, p) for p in points if p.direction != "check" and _has_current(p)]
    values = [v for v in everything if v.observed.direction != "search"]
    powers = [p for v in values if (p := power_values(device, inputs, v)) is not None]
    found = [
        _evaluated(inputs, readings, everything, powers, device, options)
        for readings in _by_range(device, inputs, points, ranges, values)
    ]
    explained = _explained(device, bench, values, powers, found, options)
    unexplained = _unexplained(device, bench, values, found, explained, options)
    check, reasons_of_check = bench_check(device, bench, inputs, points) or (None, [])
    reasons = [reason for one in found for reason in one.reasons] + reasons_of_check
    verdicts = [one.result.verdict for one in found] + ([check.verdict] if check is not None else [])
    if unexplained and not options.contradiction_overridden:
        verdicts.append("fail")
        reasons += unexplained
    if not points and not reasons:
        verdicts.append("fail")
        reasons.append(Reason.of("no-point-at-all"))
    checks = {name: one for of_range in found for name, one in of_range.checks.items()}
    trials, probability = options.trials, bench.decision.coverage_probability
    return RangesOutcome(
        tuple(one.result for one in found),
        explained.causes,
        explained.notes,
        worst_verdict(verdicts),
        tuple(reasons),
        explained.details,
        validate(checks, inputs, trials, probability) if trials and checks else None,
        check,
        (*(line for one in found for line in one.contradictions), *unexplained),
    )


def _inputs(device: Device, bench: Bench, points: Sequence[ObservedPoint], run_date: dt.date) -> InputQuantities:
    """The input quantities of the run, with the repeatability that its points tell together."""
    scattering = [p for p in points if p.direction not in ("search", "check", "zero") and _has_current(p)]
    return InputQuantities(bench, run_date, run_scatter(device, bench, scattering))


def _has_current(point: ObservedPoint) -> bool:
    return point.direction == "zero" or sum(p.reference for p in point.pairs) > 0


def _by_range(
    device: Device,
    inputs: InputQuantities,
    points: Sequence[ObservedPoint],
    ranges: Sequence[ObservedRange],
    values: Sequence[PointValues],
) -> list[RangeReadings]:
    """Readings by range, each compared with the base range (the first) where that may be."""
    # A run for the zero, the smallest current or the bench itself says nothing about ratio errors, and is not asked to.
    asked = any(p.direction not in ("zero", "search", "check") for p in points) or any(r.skipped for r in ranges)
    known = {r.name: r for r in ranges}
    own = {r.name: tuple(v for v in values if v.observed.range == r.name) for r in device.ranges}
    with_current = {name: tuple(v for v in of if v.ratio_error is not None) for name, of in own.items()}
    factors = {r.name: reading_factor(with_current[r.name]) for r in device.ranges}
    base, *others = device.ranges
    reference = (base, with_current[base.name])
    compared = {
        r.name: compare_with_base(
            inputs, (r, with_current[r.name]), reference, allowed(device, r, with_current[r.name])
        )
        for r in others
        if base_usable(factors[base.name])
    }
    return [
        RangeReadings(
            rng=r,
            points=with_current[r.name],
            zeros=tuple(v for v in own[r.name] if v.ratio_error is None),
            dead=tuple(p.name for p in points if p.range == r.name and not _has_current(p)),
            known=known.get(r.name),
            factor=factors[r.name],
            compared=compared.get(r.name),
            asked=asked,
        )
        for r in device.ranges
    ]


def _evaluated(
    inputs: InputQuantities,
    readings: RangeReadings,
    everything: Sequence[PointValues],
    powers: Sequence[PowerValues],
    device: Device,
    options: EvaluationOptions,
) -> EvaluatedRange:
    """Evaluate one range, from its readings to its verdict: it passes unless something below says that it does not."""
    rng = readings.rng
    result, reasons = ratio_results(device, inputs, readings)
    against = no_whole_number(rng.name, result.effective_turns, allowed(device, rng, readings.points))
    against += other_way_down(inputs, rng, readings.points, result.points)
    beyond = additional_results(device, inputs, everything, powers, rng)
    left_out = left_out_beyond(readings.known)
    struck = against if not options.contradiction_overridden else []
    verdict: Verdict = "fail" if struck or left_out else worst_verdict([result.verdict, beyond.verdict])
    whole = replace(
        result,
        verdict=verdict,
        remarks=(*result.remarks, *beyond.remarks),
        power=beyond.power,
        phase=beyond.phase,
        parts=beyond.parts,
        smallest=beyond.smallest,
        no_load=beyond.no_load,
        endurance=beyond.endurance,
    )
    return EvaluatedRange(
        whole,
        (*reasons, *struck, *beyond.reasons, *left_out),
        tuple(against),
        beyond,
        {**ratio_checks(result, readings.points, readings.compared), **beyond.checks},
    )


def _explained(
    device: Device,
    bench: Bench,
    values: Sequence[PointValues],
    powers: Sequence[PowerValues],
    found: Sequence[EvaluatedRange],
    options: EvaluationOptions,
) -> Diagnosis:
    """The causes that explain all readings."""
    beside = FurtherEvidence(
        powers=[
            PowerError(p.observed.range, nominal(p.current), p.power_factor, p.power_error)
            for p in powers
            if p.angle_known
        ],
        thresholds=[
            SmallestReadable(one.result.name, one.additional.readable_from)
            for one in found
            if one.additional.readable_from is not None
        ],
        secondaries=[split for one in found for split in one.additional.splits],
    )
    return diagnose(device, values, beside, _compared(bench, options))


def _unexplained(
    device: Device,
    bench: Bench,
    values: Sequence[PointValues],
    found: Sequence[EvaluatedRange],
    explained: Diagnosis,
    options: EvaluationOptions,
) -> list[Reason]:
    """A reason where no cause explains points which all pass."""
    ratios = [v for v in values if v.ratio_error is not None]
    points = [p for one in found for p in one.result.points]
    return none_explains(explained, points, lambda: diagnose(device, ratios, compared=_compared(bench, options)))


def _compared(bench: Bench, options: EvaluationOptions) -> ConsideredCauses:
    return ConsideredCauses(options.causes, options.causes_origin, ratio_typed=bench.reference_path.factor != 1)
