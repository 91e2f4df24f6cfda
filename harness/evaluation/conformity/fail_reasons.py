"""Why a range does not plainly pass, a line for each reason, and which part of its span was shown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from harness.claims.claim_limits import END
from harness.core.quantities import format_percent, format_quantity
from harness.evaluation.conformity.decision import JUDGEMENTS, Judgement, judgement
from harness.evaluation.ratio.point_errors import PointValues
from harness.files.device import Range
from harness.record.observations import ObservedRange
from harness.results import Found, Point, worst

COVERED = 0.02
"""How far (relative) the ends of a claimed span may be missed by what was asked for: a ceiling may lie a little below."""


def failed(found: Sequence[Found]) -> Iterator[tuple[Judgement, list[Found]]]:
    """What was found with a verdict less than a pass, by what is said of it, worst first."""
    for said in JUDGEMENTS:
        group = [f for f in found if judgement(f.judged) == said]
        if group:
            yield said, group


def failed_points(points: Sequence[Point], rng: Range) -> Iterator[str]:
    """A line for all points of a verdict less than pass. A point may fail by its uncertainty alone: U is told under a guard band."""
    for said, group in failed(points):
        largest = worst(group)
        error, conformity = largest.ratio_error, largest.ratio_error.conformity
        assert conformity is not None
        guarded = conformity.acceptance_limit < conformity.limit
        reach = f" with U = {error.expanded_uncertainty * 100:.3f} %" if guarded else ""
        yield (
            f"{rng.name}: {said} at {len(group)} of {len(points)} points, worst {format_percent(error.value)}{reach} "
            f"at {format_quantity(largest.reference_current, 'A')} where {conformity.limit * 100:.3f} % is allowed"
        )


def too_uncertain(points: Sequence[Point], least: float | None) -> list[str]:
    """A line when the smallest limit over U of the points is below the `least` asked for; None asks for nothing."""
    ratios = [(c.test_uncertainty_ratio, p) for p in points if (c := p.ratio_error.conformity) is not None]
    known = [(ratio, p) for ratio, p in ratios if ratio is not None]
    ratio, point = min(known, key=lambda r: r[0], default=(None, None))
    if least is None or ratio is None or point is None or ratio >= least:
        return []
    at = format_quantity(point.reference_current, "A")
    return [f"the test uncertainty ratio falls to {ratio:.2f} at {at}, less than the required {least:g}"]


def uncovered(points: Sequence[Point], rng: Range, known: ObservedRange | None) -> list[str]:
    """Why the claimed span was not covered, one line for all that was left out for the same reason."""
    reasons = []
    if known is not None and known.skipped:
        name, _, why = known.skipped[0].partition(": ")
        more = f" and {len(known.skipped) - 1} more" if len(known.skipped) > 1 else ""
        reasons.append(f"{rng.name}: not shown over its whole span: {name}{more} left out, {why}")
    if not points:
        return reasons or [f"{rng.name}: no point was read"]
    points = [p for p in points if p.ratio_error.limit is not None]
    if not points:
        span = f"{format_quantity(rng.minimum_current, 'A')} to {format_quantity(rng.maximum_current, 'A')}"
        return reasons or [f"{rng.name}: no point lies within the {span} claimed, no result was judged"]
    spanned = any(p.direction == "up" for p in points) or len({p.nominal_current for p in points}) > 1
    top = max(points, key=lambda p: p.reference_current)
    bottom = min(points, key=lambda p: p.reference_current)
    if spanned and not reasons:
        if _misses(top, rng.maximum_current, +1):
            reasons.append(f"{rng.name}: not shown above {format_quantity(top.reference_current, 'A')}")
        if _misses(bottom, rng.minimum_current, -1):
            reasons.append(f"{rng.name}: not shown below {format_quantity(bottom.reference_current, 'A')}")
    return reasons


def outside_claim(points: Sequence[Point]) -> list[str]:
    """A line for the points at currents of which nothing is claimed."""
    outside = [format_quantity(p.reference_current, "A") for p in points if p.ratio_error.limit is None]
    if not outside:
        return []
    return [
        f"{len(outside)} of {len(points)} points lie outside the currents claimed and have no verdict: {', '.join(outside[:4])}"
    ]


def left_out_beyond(known: ObservedRange | None) -> list[str]:
    """What was to be searched or checked on a range and was not."""
    if known is None or not known.skipped_beyond:
        return []
    name, _, why = known.skipped_beyond[0].partition(": ")
    return [f"{known.name}: {name.removeprefix(f'{known.name} ')} left out, {why}"]


def span_shown(points: Sequence[Point]) -> str:
    """The currents judged, as text: one, or the first and the last."""
    currents = [p.reference_current for p in points if p.ratio_error.limit is not None]
    smallest, largest = format_quantity(min(currents), "A"), format_quantity(max(currents), "A")
    return smallest if smallest == largest else f"{smallest} to {largest}"


def shown_part(points: Sequence[Point], rng: Range, missing: Sequence[str]) -> str:
    """Over which part of its claimed span a range was shown (ISO/IEC 17025:2017, 7.8.6.2: to which results a verdict applies)."""
    text = (
        f"the verdict stands for {span_shown(points)} only, of the "
        f"{format_quantity(rng.minimum_current, 'A')} to {format_quantity(rng.maximum_current, 'A')} claimed"
    )
    left_out = [line.partition(": not shown over its whole span: ")[2] for line in missing if "left out" in line]
    return "; ".join([text, *left_out])


def _misses(point: Point, end: float, side: int) -> bool:
    """Whether `point`, the outermost on one side (+1 top, -1 bottom), stays inside the `end` of the claimed span."""
    asked, flowed = side * (end - point.nominal_current), side * (end - point.reference_current)
    return asked > COVERED * end or flowed > END * end


def in_one_go(rng: Range, points: Sequence[PointValues]) -> list[str]:
    """A wait or a held current with an interruption in it is neither."""
    if len({p.observed.part for p in points}) < 2:
        return []
    return [
        f"{rng.name}: the run was interrupted between its points, so no current was held and no wait made without interruption; run it again"
    ]
