"""Evaluation of all ranges of a run, their explanation, and the verdict of the whole."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from harness.evaluation.beyond_ratio.check_standard import evaluated_bench_check
from harness.evaluation.diagnosis.contradiction import none_explains
from harness.evaluation.diagnosis.diagnosis import ConsideredCauses, Diagnosis, diagnose
from harness.evaluation.diagnosis.evidence import POWER, FurtherEvidence, Setting
from harness.evaluation.power.power_errors import PowerValues, power_values
from harness.evaluation.range_readings import has_current, readings_by_range
from harness.evaluation.range_verdict import EvaluatedRange, evaluated_range
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.ratio.uncalibrated_points import calibrated_only
from harness.evaluation.uncertainty.repeatability import run_scatter
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.evaluation.validation.checks import validate
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
    """The part of `Results` that comes from ranges: they, their explanation, the verdict; `contradictions` also where they were overridden."""

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
    """Options beyond the run: the number of Monte Carlo `trials`, the `causes` to consider, and whether readings that contradict each other are to pass.

    `diagnosed`: whether causes are weighed. A campaign may do without; readings that no cause explains then pass.
    """

    trials: int = 0
    causes: ConsideredCauses = field(default_factory=ConsideredCauses)
    contradiction_overridden: bool = False
    diagnosed: bool = True


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
    read = [p for p in points if has_current(p)]
    scattering = [p for p in read if p.direction not in ("search", "check", "zero")]
    inputs = InputQuantities(bench, run_date, run_scatter(device, bench, scattering))
    everything = [point_values(device, inputs, p) for p in read if p.direction != "check"]
    values = [v for v in everything if v.observed.direction not in ("search", "waveform")]
    powers = [p for v in values if (p := power_values(device, inputs, v)) is not None]
    overridden = options.contradiction_overridden
    found = [
        evaluated_range(device, inputs, readings, contradiction_overridden=overridden)
        for readings in readings_by_range(device, inputs, points, ranges, everything, powers)
    ]
    known = replace(options.causes, ratio_typed=bench.reference_path.factor != 1)
    explained = Diagnosis((), (), DiagnosisDetails(causes=known.named))
    if options.diagnosed:
        explained = diagnose(device, _told(everything), _evidence(powers, found), known)
    ratios = [v for v in values if v.ratio_error is not None]
    judged = [p for one in found for p in one.result.points]
    unexplained = none_explains(explained, judged, lambda: diagnose(device, ratios, compared=known))
    check, reasons_of_check = evaluated_bench_check(device, bench, inputs, points) or (None, [])
    reasons = [reason for one in found for reason in one.reasons] + reasons_of_check
    verdicts = [one.result.verdict for one in found] + ([check.verdict] if check is not None else [])
    whole = [] if overridden else list(unexplained)
    if not points and not reasons:
        whole.append(Reason.of("no-point-at-all"))
    checks = {name: one for of_range in found for name, one in of_range.checks.items()}
    trials, probability = options.trials, bench.decision.coverage_probability
    return RangesOutcome(
        tuple(one.result for one in found),
        explained.causes,
        explained.notes,
        "fail" if whole else worst_verdict(verdicts),
        (*reasons, *whole),
        explained.details,
        validate(checks, inputs, trials, probability) if trials and checks else None,
        check,
        (*(line for one in found for line in one.contradictions), *unexplained),
    )


def _told(values: Sequence[PointValues]) -> list[PointValues]:
    """The points that tell of causes: all but those of a search, and of another waveform, of which no ratio error is claimed, only where it has a name."""
    read = (v for v in values if v.observed.direction != "search")
    return [v for v in read if v.observed.direction != "waveform" or v.waveform is not None]


def _evidence(powers: Sequence[PowerValues], found: Sequence[EvaluatedRange]) -> FurtherEvidence:
    """What is known of the causes beside the currents."""
    beyond = [(one.result.name, one.beyond_ratio) for one in found]
    return FurtherEvidence(
        powers=[
            (Setting(POWER, p.observed.range, nominal(p.current), p.power_factor), p.power_error)
            for p in powers
            if p.angle_known
        ],
        thresholds={n: a.readable_from for n, a in beyond if a.readable_from is not None},
        secondaries=[split for _, a in beyond for split in a.splits],
    )
