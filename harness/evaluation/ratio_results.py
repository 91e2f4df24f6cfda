"""Results of a range's ratio errors: points judged, turns, zero, line and linearity, and why it does not plainly pass."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from harness.claims.limits_of_error import claimed_limit, limit_of_error
from harness.evaluation.conformity.fail_reasons import (
    failed_points,
    outside_claim,
    shown_part,
    span_shown,
    too_uncertain,
    uncovered,
)
from harness.evaluation.conformity.judged_value import judged, stated, stated_or_none
from harness.evaluation.ratio.effective_turns import Multiplier, effective_turns
from harness.evaluation.ratio.fitted_line import line_of, stated_line
from harness.evaluation.ratio.linearity import linearity
from harness.evaluation.ratio.outlier_pairs import apart
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.input_quantities import InputQuantities
from harness.files.device import Device, Range
from harness.record.observations import ObservedRange
from harness.results import NOT_VISITED, EffectiveTurns, Offset, Point, RangeResult, Reason, worst_verdict


@dataclass(frozen=True)
class RangeReadings:
    """Readings of a run on one range: its points with current, zero points, and the names of points at which the reference read none.

    `known`: its ceiling and what was left out. `factor`: reading factor, uncertain. `compared`: with the base range. `asked`: the run
    was to take ratio errors, so that a range without any has not been shown.
    """

    rng: Range
    points: tuple[PointValues, ...]
    zeros: tuple[PointValues, ...]
    dead: tuple[str, ...]
    known: ObservedRange | None
    factor: Any | None
    compared: Multiplier | None
    asked: bool


def allowed(device: Device, rng: Range, points: Sequence[PointValues]) -> float:
    """Limit of error at the largest current of a range's points."""
    low, high = rng.minimum_current, rng.maximum_current
    within = (min(max(float(v.reference.nominal_value), low), high) for v in points)
    return min((limit_of_error(device, rng, current) for current in within), default=0.0)


def ratio_results(device: Device, inputs: InputQuantities, readings: RangeReadings) -> tuple[RangeResult, list[Reason]]:
    """One range and the reasons why it does not plainly pass."""
    rng, known, compared = readings.rng, readings.known, readings.compared
    points = tuple(_point(device, inputs, rng, v) for v in readings.points)
    probability = inputs.bench.decision.coverage_probability
    turns = None if compared is None else effective_turns(inputs, compared, rng.primary_turns, probability)
    zero = _zero(inputs, readings.zeros)
    missing = uncovered(points, rng, known) if readings.asked else []
    # Loads on a shelf come in steps: the verdict then stands for the currents shown, and the reader is told which.
    partly = any(p.ratio_error.limit is not None for p in points) and bool(inputs.bench.shelf_currents)
    failures = [] if partly else list(missing)
    failures += [Reason.of("no-reference-current", rng.name, point=name) for name in readings.dead]
    misread = []
    if turns is not None and turns.nearest != rng.primary_turns:
        misread.append(Reason.of("other-turns", rng.name, turns=turns.value, described=rng.primary_turns))
    verdict = worst_verdict(v for p in points if (v := p.ratio_error.verdict) is not None)
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
        line=stated_line(line_of(inputs, readings.points)),
        linearity=linearity(readings.points),
        verdict="fail" if misread or failures else verdict,
        remarks=(
            *([shown_part(points, rng, missing)] if partly and missing else []),
            *_of_readings(device, inputs, readings, points),
            *_of_findings(rng, zero, turns),
            *_of_single_pairs(inputs, rng, points),
        ),
        reading_factor=stated_or_none(inputs, readings.factor),
        stands_for=span_shown(points) if partly and missing else None,
    )
    return result, [*misread, *failed_points(points, rng), *failures]


def _point(device: Device, inputs: InputQuantities, rng: Range, values: PointValues) -> Point:
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


def _zero(inputs: InputQuantities, zeros: Sequence[PointValues]) -> Offset | None:
    if not zeros:
        return None
    found = stated(inputs, zeros[-1].indicated)
    significant = abs(found.value) > found.expanded_uncertainty
    return Offset(found.value, found.expanded_uncertainty, found.coverage_factor, significant)


def _of_readings(
    device: Device, inputs: InputQuantities, readings: RangeReadings, points: Sequence[Point]
) -> Iterator[Reason]:
    """Remarks on single points."""
    yield from outside_claim(points, readings.rng)
    yield from apart([v.observed for v in readings.points], inputs.bench, device.display.resolution)
    if points:
        yield from inputs.scatter[readings.rng.name].remarks
    yield from too_uncertain(points, readings.rng, inputs.bench.decision.least_test_uncertainty_ratio)


def _of_findings(rng: Range, zero: Offset | None, turns: EffectiveTurns | None) -> Iterator[Reason]:
    """Remarks on results of several points."""
    if zero is not None and zero.significant:
        yield Reason.of("zero-offset", rng.name, current=zero.value)
    if turns is not None and abs(turns.value - turns.nearest) + turns.expanded_uncertainty >= 1:
        yield Reason.of("neighbouring-integer", rng.name)


def _of_single_pairs(inputs: InputQuantities, rng: Range, points: Sequence[Point]) -> Iterator[Reason]:
    if any(p.pairs == 1 for p in points) and inputs.scatter[rng.name].pooled is None:
        yield Reason.of("single-pairs", rng.name)
