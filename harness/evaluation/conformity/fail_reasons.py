"""Reasons why a range does not plainly pass, and the part of its span that was shown."""

import math
from collections.abc import Iterator, Sequence

from harness.claims.limits_of_error import END
from harness.evaluation.conformity.decision import JUDGEMENTS, judgement
from harness.evaluation.ratio.point_errors import PointValues
from harness.files.device import Range
from harness.record.observations import ObservedRange
from harness.results import (
    AnyFinding,
    Judged,
    PhaseDisplacement,
    Point,
    PowerPoint,
    Reason,
    Value,
    WaveformInfluence,
    worst,
)

LEFT_OUT = "points-left-out"

MOST_NAMED = 4
"""The most currents outside the claim that are named."""

COVERED = 0.02
"""The ends of a claimed span may be missed by this much (relative): a maximum test current may lie a little below."""


POWER_FACTOR_WITHIN = 0.03
"""The power factor read may differ this much from the one the load was asked for."""

NOT_FORETOLD = 2.0
"""Twice the expanded uncertainty: of the many comparisons of a run one beyond 1 is nothing unusual, one beyond 2 is."""


def not_passed(code: str, rng: Range, found: Judged, **more: Value) -> list[Reason]:
    """Reasons why `found` is no plain pass; empty where nothing is claimed. An error may fail by its U alone, so U is told."""
    said = judgement(found)
    if said is None:
        return []
    values = {"value": found.value, "expanded_uncertainty": found.expanded_uncertainty, "limit": found.limit, **more}
    return [Reason.of(code, rng.name, judgement=said, **values)]


def _failed(found: Sequence[AnyFinding]) -> Iterator[list[AnyFinding]]:
    """Findings with a verdict less than pass, grouped by judgement, worst first."""
    groups = ([f for f in found if judgement(f.judged) == said] for said in JUDGEMENTS)
    return (group for group in groups if group)


def failed_points(points: Sequence[Point], rng: Range) -> Iterator[Reason]:
    """One reason for each verdict below pass, with its number of points and the worst of them."""
    for group in _failed(points):
        error, current, count = worst(group).ratio_error, worst(group).reference_current, len(group)
        yield from not_passed("points-not-passed", rng, error, failed=count, points=len(points), current=current)


def failed_power(rng: Range, points: Sequence[PowerPoint]) -> Iterator[Reason]:
    """A reason for all points of a verdict less than pass."""
    judged_points = [p for p in points if p.power_error.conformity is not None]
    for group in _failed(judged_points):
        largest = worst(group)
        yield from not_passed(
            "power-not-passed",
            rng,
            largest.power_error,
            failed=len(group),
            points=len(judged_points),
            current=largest.reference_current,
            power_factor=largest.power_factor,
        )


def failed_phase(rng: Range, found: Sequence[PhaseDisplacement]) -> Iterator[Reason]:
    """A reason for each current with a verdict less than pass."""
    for at in found:
        yield from not_passed("phase-not-passed", rng, at.displacement, current=at.nominal_current)


def failed_waveforms(rng: Range, found: Sequence[WaveformInfluence]) -> Iterator[Reason]:
    """A reason for all loads of a verdict less than pass."""
    for group in _failed(found):
        largest = worst(group)
        yield from not_passed(
            "influence-not-passed",
            rng,
            largest.influence,
            failed=len(group),
            loads=len(found),
            load=largest.load,
            waveform=largest.waveform,
            current=largest.reference_current,
        )


def too_uncertain(points: Sequence[Point], rng: Range, least: float | None) -> list[Reason]:
    """A remark when the smallest limit over U of the points is below `least`; None asks for nothing."""
    judged = [
        (c.test_uncertainty_ratio, p.reference_current) for p in points if (c := p.ratio_error.conformity) is not None
    ]
    known = [(ratio, current) for ratio, current in judged if ratio is not None]
    ratio, current = min(known, key=lambda r: r[0], default=(math.inf, 0.0))
    if least is None or ratio >= least:
        return []
    return [Reason.of("test-uncertainty-ratio", rng.name, ratio=ratio, current=current, required=least)]


def uncovered(
    points: Sequence[Point], rng: Range, known: ObservedRange | None, *, at_loads: bool = False
) -> list[Reason]:
    """Reasons why the claimed span was not covered, one for all points left out for the same reason.

    One current alone was not to cover a span, unless it is that of a load at hand (`at_loads`).
    """
    reasons = []
    if known is not None and known.skipped:
        point, _, why = known.skipped[0].partition(": ")
        reasons.append(Reason.of(LEFT_OUT, rng.name, point=point, more=len(known.skipped) - 1 or None, why=why))
    if not points:
        return reasons or [Reason.of("no-point", rng.name)]
    points = [p for p in points if p.ratio_error.limit is not None]
    if not points:
        return reasons or [Reason.of("no-point-within-claim", rng.name, claimed=_claimed(rng))]
    spanned = at_loads or any(p.direction == "up" for p in points) or len({p.nominal_current for p in points}) > 1
    top = max(points, key=lambda p: p.reference_current)
    bottom = min(points, key=lambda p: p.reference_current)
    if spanned and not reasons:
        if _misses(top, rng.maximum_current, +1):
            reasons.append(Reason.of("not-shown-above", rng.name, current=top.reference_current))
        if _misses(bottom, rng.minimum_current, -1):
            reasons.append(Reason.of("not-shown-below", rng.name, current=bottom.reference_current))
    return reasons


def outside_claim(points: Sequence[Point], rng: Range) -> list[Reason]:
    """A remark on the points at currents of which nothing is claimed."""
    outside = tuple(p.reference_current for p in points if p.ratio_error.limit is None)
    if not outside:
        return []
    named = outside[:MOST_NAMED]
    return [Reason.of("points-outside-claim", rng.name, outside=len(outside), points=len(points), currents=named)]


def left_out_beyond(known: ObservedRange | None) -> list[Reason]:
    """Searches and checks on a range that were left out."""
    if known is None or not known.skipped_beyond:
        return []
    name, _, why = known.skipped_beyond[0].partition(": ")
    return [Reason.of("left-out", known.name, what=name.removeprefix(f"{known.name} "), why=why)]


def span_shown(points: Sequence[Point]) -> tuple[float, float] | None:
    """The lowest and the highest current in amperes at which something is claimed; None where nothing is."""
    currents = [p.reference_current for p in points if p.ratio_error.limit is not None]
    return (min(currents), max(currents)) if currents else None


def shown_part(points: Sequence[Point], rng: Range, missing: Sequence[Reason]) -> Reason:
    """The part of its claimed span over which a range was shown (ISO/IEC 17025:2017, 7.8.6.2: to which results a verdict applies)."""
    left_out = next((reason.values for reason in missing if reason.code == LEFT_OUT), {})
    return Reason.of("part-of-span", rng.name, shown=span_shown(points), claimed=_claimed(rng), **left_out)


def _claimed(rng: Range) -> tuple[float, float]:
    return rng.minimum_current, rng.maximum_current


def _misses(point: Point, end: float, side: int) -> bool:
    """Whether `point`, the outermost on one side (+1 top, -1 bottom), does not reach the `end` of the claimed span, in amperes."""
    asked, flowed = side * (end - point.nominal_current), side * (end - point.reference_current)
    return asked > COVERED * end or flowed > END * end


def in_one_go(rng: Range, points: Sequence[PointValues]) -> list[Reason]:
    """Reasons where a wait or a held current was interrupted."""
    return [Reason.of("interrupted", rng.name)] if len({p.observed.part for p in points}) > 1 else []


def misread(rng: Range, power: Sequence[PowerPoint], phase: Sequence[PhaseDisplacement]) -> list[Reason]:
    """Failures without regard to a claim: wrong sign, another power factor than asked for, power that the phase does not explain."""
    return [*_reversed(rng, power), *_other_power_factor(rng, power), *_not_foretold(rng, phase)]


def _reversed(rng: Range, points: Sequence[PowerPoint]) -> list[Reason]:
    """A power of the wrong sign fails whatever is claimed."""
    wrong = sum(p.indicated_power * p.reference_power < 0 for p in points)
    return [Reason.of("power-reversed", rng.name, reversed=wrong, points=len(points))] if wrong else []


def _other_power_factor(rng: Range, points: Sequence[PowerPoint]) -> list[Reason]:
    """The load has another power factor than it was asked for, or the reference has another sign of the angle."""
    both = [(p.nominal_power_factor, p.power_factor) for p in points]
    wrong = [(asked, read) for asked, read in both if asked is not None and _another(read, asked)]
    if not wrong:
        return []
    (asked, read), other = wrong[0], len(wrong)
    return [Reason.of("other-power-factor", rng.name, nominal=asked, power_factor=read, other=other, points=len(both))]


def _another(read: float, asked: float) -> bool:
    if abs(abs(read) - abs(asked)) > POWER_FACTOR_WITHIN:
        return True
    return abs(asked) < 1 - POWER_FACTOR_WITHIN and read * asked < 0


def _not_foretold(rng: Range, found: Sequence[PhaseDisplacement]) -> list[Reason]:
    """Power at a further power factor is far from the one computed from the phase displacement."""
    far = [(p, f) for p in found for f in p.foretold if (f.normalized_error or 0.0) > NOT_FORETOLD]
    if not far:
        return []
    phase, worst_of = max(far, key=lambda pair: pair[1].normalized_error or 0.0)
    return [
        Reason.of(
            "power-not-predicted",
            rng.name,
            power_factor=worst_of.power_factor,
            current=phase.nominal_current,
            normalized_error=worst_of.normalized_error,
        )
    ]
