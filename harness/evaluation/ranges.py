"""Every range of a run: its points with verdicts, its line, linearity, turns and zero; and what the whole says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from harness.accuracy_classes import lowest_current
from harness.bench import Bench
from harness.causes import Catalogue
from harness.device import Device, Range, limit_of_error
from harness.evaluation.conformity import verdict
from harness.evaluation.diagnosis import diagnose
from harness.evaluation.linearity import independent, terminal_based, zero_based
from harness.evaluation.multiplier import base_usable, effective_turns
from harness.evaluation.observed import ObservedPoint, ObservedRange
from harness.evaluation.points import Inputs, PointValues, point_values
from harness.evaluation.straight_line import fit, propagated
from harness.evaluation.uncertainty import covariance, coverage_factor
from harness.quantities import format_percent, format_quantity
from harness.results import DiagnosisDetails, Hypothesis, Line, Linearity, Offset, Point, RangeResult, Verdict

MANY = 1e4
"""More degrees of freedom than this are as good as infinite: k differs from the normal distribution's by 0.01 %."""

COVERED = 0.02
"""How far (relative) the ends of a claimed span may be missed by what was asked for: a ceiling may lie a little below."""

DELIVERED = 0.05
"""How far (relative) they may be missed by the current that flowed, the load's own error included."""


@dataclass(frozen=True)
class RangesOutcome:
    """All ranges, what explains them, and the verdict with its reasons, one line each."""

    ranges: tuple[RangeResult, ...]
    diagnosis: tuple[Hypothesis, ...]
    diagnosis_note: str
    verdict: Verdict
    reasons: tuple[str, ...]
    diagnosis_details: DiagnosisDetails = field(default_factory=DiagnosisDetails)


def evaluate_ranges(
    device: Device,
    bench: Bench,
    points: Sequence[ObservedPoint],
    ranges: Sequence[ObservedRange],
    run_date: dt.date,
    causes: Catalogue | None = None,
    causes_origin: str = "",
) -> RangesOutcome:
    """Evaluate the finished `points` of a run made on `run_date`; `ranges` holds ceilings and points left out.

    `causes` replaces the shipped catalogue, `causes_origin` says where it comes from.
    """
    inputs = Inputs(bench, run_date)
    values = [point_values(device, inputs, p) for p in points if _has_current(p)]
    known = {r.name: r for r in ranges}
    slopes = {r.name: _slope(inputs, values, r) for r in device.ranges}
    base = slopes[device.ranges[0].name]
    results = []
    reasons: list[str] = []
    for rng in device.ranges:
        other = base if rng != device.ranges[0] and base_usable(base) else None
        dead = [p.name for p in points if p.range == rng.name and not _has_current(p)]
        result, why = _range_result(device, inputs, values, rng, known.get(rng.name), slopes[rng.name], other, dead)
        results.append(result)
        reasons += why
    found = diagnose(device, values, causes=causes, origin=causes_origin)
    failed = any(r.verdict == "fail" for r in results)
    return RangesOutcome(
        tuple(results), found.causes, found.note, "fail" if failed else "pass", tuple(reasons), found.details
    )


def _range_result(
    device: Device,
    inputs: Inputs,
    values: Sequence[PointValues],
    rng: Range,
    known: ObservedRange | None,
    slope: Any,
    base: Any,
    dead: Sequence[str],
) -> tuple[RangeResult, list[str]]:
    """One range and the reasons why it fails, none when it passes. `dead` names points without reference current."""
    own = [v for v in values if v.observed.range == rng.name and v.ratio_error is not None]
    points = tuple(_point(device, inputs, rng, v) for v in own)
    turns = effective_turns(inputs, slope, rng.primary_turns, base, _probability(inputs)) if slope is not None else None
    zero = _zero(inputs, values, rng)
    uncovered = _uncovered(points, rng, known)
    # Loads on a shelf come in steps: the verdict then stands for the currents shown, and the reader is told which.
    partly = bool(points and inputs.bench.shelf_currents)
    reasons = [*_failed_points(points, rng, inputs.bench.decision.rule), *([] if partly else uncovered)]
    reasons += [
        f"{rng.name}: the reference read no current at point {name}, so nothing is shown there" for name in dead
    ]
    if turns is not None and turns.nearest != rng.primary_turns:
        reasons.insert(0, f"{rng.name}: reads as {turns.value:.3f} turns, {rng.primary_turns} are described")
    remarks = [_shown(points, rng, uncovered)] if partly and uncovered else []
    if zero is not None and zero.significant:
        remarks.append(f"reads {format_quantity(zero.value, 'A', 3)} with no current, more than its uncertainty")
    if turns is not None and not turns.neighbours_excluded:
        remarks.append("the uncertainty of the effective turns reaches a neighbouring whole number")
    if any(p.pairs == 1 for p in points):
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
        ceiling_set_by=known.ceiling_set_by if known else "not reached",
        effective_turns=turns,
        zero=zero,
        points=points,
        line=_line(own),
        linearity=_linearity(own),
        verdict="fail" if reasons else "pass",
        remarks=tuple(remarks),
    )
    return result, reasons


def _point(device: Device, inputs: Inputs, rng: Range, values: PointValues) -> Point:
    error = values.ratio_error
    if error is None:
        raise ValueError(f"point {values.observed.name} is a zero point")
    coverage = coverage_factor([part for _, part in inputs.contributions(error)], _probability(inputs))
    reference = float(values.reference.nominal_value)
    limit = _limit(device, rng, reference)
    value, uncertainty = float(error.nominal_value), float(error.std_dev)
    return Point(
        name=values.observed.name,
        direction=values.observed.direction,
        nominal_current=values.observed.nominal_current,
        reference_current=reference,
        indicated_current=float(values.indicated.nominal_value),
        ratio_error=value,
        standard_uncertainty=uncertainty,
        expanded_uncertainty=coverage.factor * uncertainty,
        coverage_factor=coverage.factor,
        degrees_of_freedom=coverage.degrees_of_freedom if coverage.degrees_of_freedom < MANY else None,
        coverage_method=coverage.method,
        limit=limit,
        verdict=verdict(value, coverage.factor * uncertainty, limit, inputs.bench.decision.rule),
        pairs=len(values.observed.pairs),
        reference_range=values.observed.reference_scale,
        budget=inputs.budget(error),
    )


def _limit(device: Device, rng: Range, current: float) -> float:
    """The claim's limit; a load that stays a little short of a class's lowest current is judged as at that current."""
    accuracy_class = device.claim.accuracy_class
    if accuracy_class is not None:
        current = max(current, lowest_current(accuracy_class) * rng.maximum_current)
    return limit_of_error(device, rng, current)


def _has_current(point: ObservedPoint) -> bool:
    return point.direction == "zero" or sum(p.reference for p in point.pairs) > 0


def _probability(inputs: Inputs) -> float:
    return inputs.bench.decision.coverage_probability


def _of_range(values: Sequence[PointValues], rng: Range) -> list[PointValues]:
    return [v for v in values if v.observed.range == rng.name and v.ratio_error is not None]


def _fitted(own: Sequence[PointValues]) -> Any:
    """The fit over a range's points, or None when they do not span a line."""
    if len({v.observed.nominal_current for v in own}) < 3:
        return None
    return fit(
        [float(v.reference.nominal_value) for v in own],
        [float(v.indicated.nominal_value) for v in own],
        [v.random_reference for v in own],
        [v.random_indicated for v in own],
    )


def _slope(inputs: Inputs, values: Sequence[PointValues], rng: Range) -> Any:
    """Indicated over reference current: the line's slope, or with fewer than three currents the largest one's ratio.

    Where the points depart from a line by more than their scatter, the slope gets what the Birge ratio adds: the
    random standard uncertainty of the slope times sqrt(chi-squared / degrees of freedom - 1).
    """
    own = _of_range(values, rng)
    if not own:
        return None
    line = _fitted(own)
    if line is not None:
        excess = max(0.0, line.chi_squared / line.degrees_of_freedom - 1)
        departure = inputs.own(
            "departure from a straight line", line.slope_uncertainty * excess**0.5, "normal", line.degrees_of_freedom
        )
        return propagated(line, [v.reference for v in own], [v.indicated for v in own])[0] + departure
    largest = max(own, key=lambda v: float(v.reference.nominal_value))
    return largest.indicated / largest.reference


def _line(own: Sequence[PointValues]) -> Line | None:
    line = _fitted(own)
    if line is None:
        return None
    slope, intercept = propagated(line, [v.reference for v in own], [v.indicated for v in own])
    return Line(
        slope=line.slope,
        slope_uncertainty=float(slope.std_dev),
        intercept=line.intercept,
        intercept_uncertainty=float(intercept.std_dev),
        covariance=float(covariance([slope, intercept])[0, 1]),
        chi_squared=line.chi_squared,
        degrees_of_freedom=line.degrees_of_freedom,
    )


def _linearity(own: Sequence[PointValues]) -> Linearity | None:
    """Deviations on the average of upscale and downscale readings, as fractions of the span of indicated current."""
    import pandas as pd

    table = pd.DataFrame(
        {
            "nominal": [v.observed.nominal_current for v in own],
            "direction": [v.observed.direction for v in own],
            "reference": [float(v.reference.nominal_value) for v in own],
            "indicated": [float(v.indicated.nominal_value) for v in own],
        }
    )
    if table["nominal"].nunique() < 3:
        return None
    average = table.groupby("nominal")[["reference", "indicated"]].mean().sort_index()
    x, y = average["reference"].to_numpy(dtype=float), average["indicated"].to_numpy(dtype=float)
    span = abs(y[-1] - y[0])
    if span == 0 or np.any(np.diff(x) <= 0):
        return None
    table["deviation"] = table["indicated"] - table["reference"]
    ways = table.pivot_table(index="nominal", columns="direction", values="deviation", aggfunc="mean")
    both = ways.reindex(columns=["up", "down"]).dropna()
    hysteresis = float((both["up"] - both["down"]).abs().max() / span) if len(both) else None
    return Linearity(
        independent=float(independent(x, y) / span),
        zero_based=float(zero_based(x, y) / span),
        terminal_based=float(terminal_based(x, y) / span),
        hysteresis=hysteresis,
    )


def _zero(inputs: Inputs, values: Sequence[PointValues], rng: Range) -> Offset | None:
    own = [v for v in values if v.observed.range == rng.name and v.ratio_error is None]
    if not own:
        return None
    last = own[-1].indicated
    coverage = coverage_factor([part for _, part in inputs.contributions(last)], _probability(inputs))
    value, expanded = float(last.nominal_value), coverage.factor * float(last.std_dev)
    return Offset(value, expanded, coverage.factor, abs(value) > expanded)


def _failed_points(points: Sequence[Point], rng: Range, rule: str) -> list[str]:
    """One line for all points that fail. By the guarded rule a point may fail by its uncertainty alone, so U is told."""
    failed = [p for p in points if p.verdict == "fail"]
    if not failed:
        return []
    guarded = rule == "guarded"
    worst = max(failed, key=lambda p: (abs(p.ratio_error) + guarded * p.expanded_uncertainty) / p.limit)
    reach = f" with U = {worst.expanded_uncertainty * 100:.3f} %" if guarded else ""
    return [
        f"{rng.name}: {len(failed)} of {len(points)} points fail, worst {format_percent(worst.ratio_error)}{reach} at "
        f"{format_quantity(worst.reference_current, 'A')} where {worst.limit * 100:.3f} % is allowed"
    ]


def _uncovered(points: Sequence[Point], rng: Range, known: ObservedRange | None) -> list[str]:
    """Why the claimed span was not covered, one line for all that was left out for the same reason."""
    reasons = []
    if known is not None and known.skipped:
        name, _, why = known.skipped[0].partition(": ")
        more = f" and {len(known.skipped) - 1} more" if len(known.skipped) > 1 else ""
        reasons.append(f"{rng.name}: not shown over its whole span: {name}{more} left out, {why}")
    if not points:
        return reasons or [f"{rng.name}: no point was read"]
    spanned = any(p.direction == "up" for p in points)
    top = max(points, key=lambda p: p.reference_current)
    bottom = min(points, key=lambda p: p.reference_current)
    if spanned and not reasons:
        if _misses(top, rng.maximum_current, +1):
            reasons.append(f"{rng.name}: not shown above {format_quantity(top.reference_current, 'A')}")
        if _misses(bottom, rng.minimum_current, -1):
            reasons.append(f"{rng.name}: not shown below {format_quantity(bottom.reference_current, 'A')}")
    return reasons


def _shown(points: Sequence[Point], rng: Range, uncovered: Sequence[str]) -> str:
    """Over which part of its claimed span a range was shown (ISO/IEC 17025:2017, 7.8.6.2: to which results a verdict applies)."""
    currents = [p.reference_current for p in points]
    text = (
        f"the verdict stands for {format_quantity(min(currents), 'A')} to {format_quantity(max(currents), 'A')} only, "
        f"of the {format_quantity(rng.minimum_current, 'A')} to {format_quantity(rng.maximum_current, 'A')} claimed"
    )
    left_out = [line.partition(": not shown over its whole span: ")[2] for line in uncovered if "left out" in line]
    return "; ".join([text, *left_out])


def _misses(point: Point, end: float, side: int) -> bool:
    """Whether `point`, the outermost on one side (+1 top, -1 bottom), stays inside the `end` of the claimed span."""
    asked, flowed = side * (end - point.nominal_current), side * (end - point.reference_current)
    return asked > COVERED * end or flowed > DELIVERED * end
