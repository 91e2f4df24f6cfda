"""Every range of a run: its points with verdicts, its line, linearity, turns and zero; and what the whole says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Any

import numpy as np

from harness.causes import Catalogue
from harness.claims.claim_limits import claimed_limit, limit_of_error
from harness.core.quantities import format_quantity
from harness.evaluation.additional.check_standard import bench_check
from harness.evaluation.additional_results import further
from harness.evaluation.conformity.fail_reasons import (
    failed_points,
    left_out_beyond,
    outside_claim,
    shown_part,
    span_shown,
    too_uncertain,
    uncovered,
)
from harness.evaluation.conformity.judged_value import judged, stated_or_none
from harness.evaluation.diagnosis import PowerError, SmallestReadable, diagnose
from harness.evaluation.diagnosis.contradiction import no_whole_number, none_explains, other_way_down
from harness.evaluation.power.power_errors import power_values
from harness.evaluation.ratio.effective_turns import (
    Multiplier,
    base_usable,
    effective_turns,
    multiplier,
    reading_factor,
)
from harness.evaluation.ratio.error_split import Split
from harness.evaluation.ratio.fitted_line import line_of, stated_line
from harness.evaluation.ratio.linearity import independent, terminal_based, zero_based
from harness.evaluation.ratio.outlier_pairs import apart
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.ratio.uncalibrated_points import calibrated_only
from harness.evaluation.uncertainty.combination import coverage_factor
from harness.evaluation.uncertainty.input_quantities import Inputs
from harness.evaluation.uncertainty.repeatability import run_scatter
from harness.evaluation.validation.ratio_models import Check, ratio_error, validate
from harness.evaluation.validation.ratio_models import effective_turns as turns_model
from harness.evaluation.validation.ratio_models import reading_factor as factor_model
from harness.files.bench import Bench
from harness.files.device import Device, Range
from harness.record.observations import ObservedPoint, ObservedRange
from harness.results import (
    NOT_VISITED,
    BenchCheck,
    DiagnosisDetails,
    Hypothesis,
    Linearity,
    Offset,
    Point,
    RangeResult,
    Validation,
    Verdict,
    worst_verdict,
)


@dataclass(frozen=True)
class RangesOutcome:
    """All ranges, what explains them, and the verdict with its reasons, one line each.

    `contradictions` are told also where they were overridden.
    """

    ranges: tuple[RangeResult, ...]
    diagnosis: tuple[Hypothesis, ...]
    diagnosis_note: str
    verdict: Verdict
    reasons: tuple[str, ...]
    diagnosis_details: DiagnosisDetails
    validation: Validation | None = None
    bench_check: BenchCheck | None = None
    contradictions: tuple[str, ...] = ()


def evaluate_ranges(
    device: Device,
    bench: Bench,
    points: Sequence[ObservedPoint],
    ranges: Sequence[ObservedRange],
    run_date: dt.date,
    trials: int = 0,
    causes: Catalogue | None = None,
    causes_origin: str = "",
    *,
    contradiction_overridden: bool = False,
) -> RangesOutcome:
    """Evaluate the finished `points` of a run made on `run_date`; `ranges` holds ceilings and points left out.

    `causes` replaces the shipped catalogue, `causes_origin` says where it comes from. With `trials` the whole is validated
    by so many Monte Carlo trials. Readings that contradict each other fail, unless that is overridden.
    """
    points, ranges = calibrated_only(device, bench, points, ranges)
    ratio_points = [p for p in points if p.direction not in ("search", "check")]
    scatter = run_scatter(device, bench, [p for p in ratio_points if p.direction != "zero" and _has_current(p)])
    inputs = Inputs(bench, run_date, scatter)
    everything = [point_values(device, inputs, p) for p in points if p.direction != "check" and _has_current(p)]
    values = [v for v in everything if v.observed.direction != "search"]
    powers = [p for v in values if (p := power_values(device, inputs, v)) is not None]
    # A run for the zero, the smallest current or the bench itself says nothing about ratio errors, and is not asked to.
    asked = any(p.direction not in ("zero", "search", "check") for p in points) or any(r.skipped for r in ranges)
    known = {r.name: r for r in ranges}
    of_range = {r.name: _of_range(values, r) for r in device.ranges}
    factors = {r.name: reading_factor(of_range[r.name]) for r in device.ranges}
    base, *others = device.ranges
    multipliers = {
        r.name: multiplier(
            inputs, (r, of_range[r.name]), (base, of_range[base.name]), _allowed(device, r, of_range[r.name])
        )
        for r in others
        if base_usable(factors[base.name])
    }
    contradictions: list[str] = []
    results = []
    reasons: list[str] = []
    thresholds: list[SmallestReadable] = []
    splits: list[Split] = []
    checks: dict[str, Check] = {}
    for rng in device.ranges:
        dead = [p.name for p in points if p.range == rng.name and not _has_current(p)]
        result, why = _range_result(
            device,
            inputs,
            values,
            rng,
            known.get(rng.name),
            factors[rng.name],
            multipliers.get(rng.name),
            dead,
            asked=asked,
        )
        against = no_whole_number(rng.name, result.effective_turns, _allowed(device, rng, of_range[rng.name]))
        against += other_way_down(inputs, rng, of_range[rng.name], result.points)
        contradictions += against
        if against and not contradiction_overridden:
            result, why = replace(result, verdict="fail"), [*why, *against]
        checks |= _checks(result, of_range[rng.name], multipliers.get(rng.name))
        beyond = further(device, inputs, everything, powers, rng)
        checks |= beyond.checks
        splits += beyond.splits
        if beyond.smallest_current is not None:
            thresholds.append(SmallestReadable(rng.name, beyond.smallest_current))
        left_out = left_out_beyond(known.get(rng.name))
        why += [*beyond.reasons, *left_out]
        verdict: Verdict = "fail" if left_out else worst_verdict([result.verdict, beyond.verdict])
        remarks = (*result.remarks, *beyond.remarks)
        results.append(replace(result, verdict=verdict, remarks=remarks, **beyond.found))
        reasons += why
    errors = [
        PowerError(p.observed.range, float(p.current.nominal_value), p.power_factor, p.power_error)
        for p in powers
        if p.angle_known
    ]
    typed = bench.reference_path.factor != 1
    found = diagnose(device, values, errors, thresholds, splits, causes=causes, origin=causes_origin, ratio_typed=typed)
    unexplained = none_explains(
        found,
        [p for r in results for p in r.points],
        lambda: diagnose(device, [v for v in values if v.ratio_error is not None], causes=causes, ratio_typed=typed),
    )
    contradictions += unexplained
    check = bench_check(device, bench, inputs, points)
    reasons += check[1] if check is not None else []
    verdicts = [r.verdict for r in results] + ([check[0].verdict] if check is not None else [])
    if unexplained and not contradiction_overridden:
        verdicts.append("fail")
        reasons += unexplained
    if not points and not reasons:
        verdicts.append("fail")
        reasons.append("no point was read, so nothing was verified")
    return RangesOutcome(
        tuple(results),
        found.causes,
        found.note,
        worst_verdict(verdicts),
        tuple(reasons),
        found.details,
        validate(checks, inputs, trials, _probability(inputs)) if trials and checks else None,
        check[0] if check is not None else None,
        tuple(contradictions),
    )


def _allowed(device: Device, rng: Range, own: Sequence[PointValues]) -> float:
    """What the claim allows at the largest current of a range's points."""
    low, high = rng.minimum_current, rng.maximum_current
    within = (min(max(float(v.reference.nominal_value), low), high) for v in own)
    return min((limit_of_error(device, rng, current) for current in within), default=0.0)


def _checks(result: RangeResult, own: Sequence[PointValues], compared: Multiplier | None) -> dict[str, Check]:
    """What there is to validate on one range, by the names the reader is told."""
    checks = {
        f"ratio error, {p.name}": Check(
            p.ratio_error.value,
            p.ratio_error.standard_uncertainty,
            p.ratio_error.expanded_uncertainty,
            "1",
            ratio_error(v.model),
        )
        for p, v in zip(result.points, own, strict=True)
        if v.model is not None
    }
    factor, turns = result.reading_factor, result.effective_turns
    if factor is not None:
        checks[f"reading factor, {result.name}"] = Check(
            factor.value, factor.standard_uncertainty, factor.expanded_uncertainty, "1", factor_model(own)
        )
    if turns is not None and compared is not None:
        checks[f"effective turns, {result.name}"] = Check(
            turns.value,
            turns.expanded_uncertainty / turns.coverage_factor,
            turns.expanded_uncertainty,
            "turns",
            turns_model(result.expected_turns, compared),
        )
    return checks


def _range_result(
    device: Device,
    inputs: Inputs,
    values: Sequence[PointValues],
    rng: Range,
    known: ObservedRange | None,
    factor: Any | None,
    compared: Multiplier | None,
    dead: Sequence[str],
    *,
    asked: bool,
) -> tuple[RangeResult, list[str]]:
    """One range and the reasons why it does not plainly pass. `dead` names points without reference current.

    `asked`: the run was to take ratio errors, so that a range without any has not been shown.
    """
    own = [v for v in values if v.observed.range == rng.name and v.ratio_error is not None]
    points = tuple(_point(device, inputs, rng, v) for v in own)
    turns = None
    if compared is not None:
        turns = effective_turns(inputs, compared, rng.primary_turns, _probability(inputs))
    zero = _zero(inputs, values, rng)
    missing = uncovered(points, rng, known) if asked else []
    # Loads on a shelf come in steps: the verdict then stands for the currents shown, and the reader is told which.
    partly = any(p.ratio_error.limit is not None for p in points) and bool(inputs.bench.shelf_currents)
    failures = [] if partly else list(missing)
    failures += [
        f"{rng.name}: the reference read no current at point {name}, so nothing is shown there" for name in dead
    ]
    misread = []
    if turns is not None and turns.nearest != rng.primary_turns:
        misread.append(f"{rng.name}: reads as {turns.value:.3f} turns, {rng.primary_turns} are described")
    reasons = [*misread, *failed_points(points, rng), *failures]
    remarks = [shown_part(points, rng, missing)] if partly and missing else []
    remarks += outside_claim(points)
    remarks += apart([v.observed for v in own], inputs.bench, device.display.resolution)
    remarks += inputs.scatter[rng.name].remarks if points else ()
    remarks += too_uncertain(points, inputs.bench.decision.least_test_uncertainty_ratio)
    if zero is not None and zero.significant:
        remarks.append(f"reads {format_quantity(zero.value, 'A', 3)} with no current, more than its uncertainty")
    if turns is not None and abs(turns.value - turns.nearest) + turns.expanded_uncertainty >= 1:
        remarks.append("the uncertainty of the effective turns reaches a neighbouring whole number")
    if any(p.pairs == 1 for p in points) and inputs.scatter[rng.name].pooled is None:
        remarks.append(
            "points of a single pair have no repeatability (no type A evaluation); only the resolutions stand for it"
        )
    result = RangeResult(
        name=rng.name,
        wiring=rng.wiring,
        expected_turns=rng.primary_turns,
        display_factor=rng.display_factor,
        minimum_current=rng.minimum_current,
        maximum_current=rng.maximum_current,
        ceiling=known.ceiling if known else 0.0,
        ceiling_set_by=known.ceiling_set_by if known else NOT_VISITED,
        effective_turns=turns,
        zero=zero,
        points=points,
        line=stated_line(line_of(inputs, own)),
        linearity=_linearity(own),
        verdict="fail"
        if misread or failures
        else worst_verdict(v for p in points if (v := p.ratio_error.verdict) is not None),
        remarks=tuple(remarks),
        reading_factor=stated_or_none(inputs, factor),
        stands_for=span_shown(points) if partly and missing else "",
    )
    return result, reasons


def _point(device: Device, inputs: Inputs, rng: Range, values: PointValues) -> Point:
    error = values.ratio_error
    if error is None:
        raise ValueError(f"point {values.observed.name} is a zero point")
    reference = float(values.reference.nominal_value)
    return Point(
        name=values.observed.name,
        direction=values.observed.direction,
        nominal_current=values.observed.nominal_current,
        reference_current=reference,
        indicated_current=float(values.indicated.nominal_value),
        ratio_error=judged(inputs, error, claimed_limit(device, rng, reference)),
        pairs=len(values.observed.pairs),
        reference_range=values.observed.reference_scale,
        budget=inputs.budget(error),
        nominal_power_factor=values.observed.power_factor,
    )


def _has_current(point: ObservedPoint) -> bool:
    return point.direction == "zero" or sum(p.reference for p in point.pairs) > 0


def _probability(inputs: Inputs) -> float:
    return inputs.bench.decision.coverage_probability


def _of_range(values: Sequence[PointValues], rng: Range) -> list[PointValues]:
    return [v for v in values if v.observed.range == rng.name and v.ratio_error is not None]


def _linearity(own: Sequence[PointValues]) -> Linearity | None:
    """Deviations on the average of upscale and downscale readings, as fractions of the span of indicated current."""
    at: dict[float, list[PointValues]] = {}
    for values in own:
        at.setdefault(values.observed.nominal_current, []).append(values)
    if len(at) < 3:
        return None
    nominals = sorted(at)
    x = np.array([fmean(float(v.reference.nominal_value) for v in at[n]) for n in nominals])
    y = np.array([fmean(float(v.indicated.nominal_value) for v in at[n]) for n in nominals])
    span = abs(y[-1] - y[0])
    if span == 0 or np.any(np.diff(x) <= 0):
        return None
    up, down = ({n: d for n in nominals if (d := _deviations(at[n], way))} for way in ("up", "down"))
    both = [abs(fmean(up[n]) - fmean(down[n])) for n in nominals if n in up and n in down]
    return Linearity(
        independent=float(independent(x, y) / span),
        zero_based=float(zero_based(x, y) / span),
        terminal_based=float(terminal_based(x, y) / span),
        hysteresis=float(max(both) / span) if both else None,
    )


def _deviations(values: Sequence[PointValues], direction: str) -> list[float]:
    """Indicated less reference current of the points taken in one direction, amperes."""
    own = (v for v in values if v.observed.direction == direction)
    return [float(v.indicated.nominal_value) - float(v.reference.nominal_value) for v in own]


def _zero(inputs: Inputs, values: Sequence[PointValues], rng: Range) -> Offset | None:
    own = [v for v in values if v.observed.range == rng.name and v.ratio_error is None]
    if not own:
        return None
    last = own[-1].indicated
    coverage = coverage_factor([part for _, part in inputs.contributions(last)], _probability(inputs))
    value, expanded = float(last.nominal_value), coverage.factor * float(last.std_dev)
    return Offset(value, expanded, coverage.factor, abs(value) > expanded)
