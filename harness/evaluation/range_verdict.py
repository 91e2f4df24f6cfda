"""One range from its readings to its results, and to its verdict: here it is decided that a range passes.

That an error of it passes is decided in `conformity.decision`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from harness.claims.limits_of_error import claimed_limit
from harness.evaluation.beyond_ratio_results import BeyondRatio, beyond_ratio_results
from harness.evaluation.conformity.decision import judged
from harness.evaluation.conformity.fail_reasons import (
    failed_points,
    left_out_beyond,
    outside_claim,
    shown_part,
    span_shown,
    too_uncertain,
    uncovered,
)
from harness.evaluation.diagnosis.contradiction import no_whole_number, other_way_down
from harness.evaluation.range_readings import RangeReadings
from harness.evaluation.ratio.effective_turns import effective_turns
from harness.evaluation.ratio.linearity import linearity
from harness.evaluation.ratio.outlier_pairs import apart
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.straight_line import line_of, stated_line
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.evaluation.validation.checks import Check, ratio_checks
from harness.files.device import Device, Range
from harness.results import (
    NOT_VISITED,
    EffectiveTurns,
    JudgedFinding,
    Offset,
    Point,
    RangeResult,
    Reason,
    worst_verdict,
)


@dataclass(frozen=True)
class EvaluatedRange:
    """A range's result, why it is no plain pass, and data for further evaluation."""

    result: RangeResult
    reasons: tuple[Reason, ...]
    contradictions: tuple[Reason, ...]
    beyond_ratio: BeyondRatio
    checks: Mapping[str, Check]


def evaluated_range(
    device: Device, inputs: InputQuantities, readings: RangeReadings, *, contradiction_overridden: bool
) -> EvaluatedRange:
    """All that is found on one range, its verdict, and the reasons why it is no plain pass."""
    rng, known, compared = readings.rng, readings.known, readings.compared
    points = tuple(_point(device, inputs, rng, v) for v in readings.points)
    turns = None if compared is None else effective_turns(inputs, compared, rng.primary_turns)
    zero, line = _zero(inputs, readings.zeros), stated_line(line_of(inputs, readings.points))
    beyond = beyond_ratio_results(device, inputs, readings)
    missing = uncovered(points, rng, known, at_loads=readings.waveforms_asked) if readings.asked else []
    # Loads on a shelf come in steps: the verdict then stands for the currents shown, and the reader is told which.
    stands_for = span_shown(points) if missing and inputs.bench.shelf_currents else None
    contradictions = no_whole_number(rng.name, turns, readings.allowed(device))
    contradictions += other_way_down(inputs, rng, readings.points, points)
    struck = [] if contradiction_overridden else contradictions
    other, left_out = _other_turns(rng, turns), left_out_beyond(known)
    not_shown = [
        *([] if stands_for else missing),
        *(Reason.of("no-reference-current", rng.name, point=name) for name in readings.dead),
    ]
    errors: tuple[JudgedFinding, ...] = (*points, *beyond.power, *beyond.phase, *beyond.waveforms.found)
    verdicts = [*(e.judged.verdict for e in errors), *beyond.verdicts]
    # Any reason against a range fails it, whatever is claimed; a verdict is None where nothing is claimed.
    against = [*other, *not_shown, *struck, *beyond.misread, *left_out]
    verdict = "fail" if against else worst_verdict(v for v in verdicts if v is not None)
    result = RangeResult(
        name=rng.name,
        wiring=rng.wiring,
        expected_turns=rng.primary_turns,
        display_factor=rng.display_factor,
        minimum_current=rng.minimum_current,
        maximum_current=rng.maximum_current,
        ceiling=known.maximum_test_current if known else 0.0,
        ceiling_set_by=known.set_by if known else NOT_VISITED,
        effective_turns=turns,
        zero=zero,
        points=points,
        line=line,
        linearity=linearity(readings.points),
        verdict=verdict,
        remarks=(
            *([shown_part(points, rng, missing)] if stands_for else []),
            *_remarks(device, inputs, readings, points, zero, turns),
            *beyond.remarks,
        ),
        power=beyond.power,
        phase=beyond.phase,
        parts=beyond.parts,
        smallest=beyond.smallest,
        no_load=beyond.no_load,
        endurance=beyond.endurance,
        register=beyond.register,
        waveforms=beyond.waveforms.found,
        reading_factor=inputs.stated_or_none(readings.factor),
        stands_for=stands_for,
    )
    reasons = (*other, *failed_points(points, rng), *not_shown, *struck, *beyond.reasons, *left_out)
    checks = {**ratio_checks(result, readings.points, compared), **beyond.checks}
    return EvaluatedRange(result, reasons, tuple(contradictions), beyond, checks)


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
    found = inputs.stated(zeros[-1].indicated)
    significant = abs(found.value) > found.expanded_uncertainty
    return Offset(found.value, found.expanded_uncertainty, found.coverage_factor, significant)


def _other_turns(rng: Range, turns: EffectiveTurns | None) -> list[Reason]:
    if turns is None or turns.nearest == rng.primary_turns:
        return []
    return [Reason.of("other-turns", rng.name, turns=turns.value, described=rng.primary_turns)]


def _remarks(
    device: Device,
    inputs: InputQuantities,
    readings: RangeReadings,
    points: Sequence[Point],
    zero: Offset | None,
    turns: EffectiveTurns | None,
) -> Iterator[Reason]:
    """Remarks on single points, then on results of several of them."""
    rng = readings.rng
    yield from outside_claim(points, rng)
    yield from apart([v.observed for v in readings.points], inputs.bench, device.display.resolution)
    if points:
        yield from inputs.scatter[rng.name].remarks
    yield from too_uncertain(points, rng, inputs.bench.decision.least_test_uncertainty_ratio)
    if zero is not None and zero.significant:
        yield Reason.of("zero-offset", rng.name, current=zero.value)
    if turns is not None and abs(turns.value - turns.nearest) + turns.expanded_uncertainty >= 1:
        yield Reason.of("neighbouring-integer", rng.name)
    if any(p.pairs == 1 for p in points) and inputs.scatter[rng.name].pooled is None:
        yield Reason.of("single-pairs", rng.name)
