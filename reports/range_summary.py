"""Summary of the ranges: turns and worst errors, of power and phase too where they were measured."""

from collections.abc import Iterator, Sequence

from reportlab.platypus import Flowable, KeepTogether

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.rounding import current, plus_minus, power_factor
from harness.results import EffectiveTurns, Judged, PowerPoint, RangeResult, Results, Verdict, worst
from harness.wording.sentences import verdict_text
from reports.cells import DASH, PERCENT, limit_text, minutes_limit, value_and_u
from reports.page_style import Column, heading, listed, prose, side_by_side, space

_WORST = "Worst error: the error with the largest |error| / limit among the points with the worst verdict"


def _in_percent(error: Judged) -> list[str]:
    """An error, its U and its limit."""
    return [*value_and_u(error, PERCENT), limit_text(error)]


def _worst_ratio(found: RangeResult) -> list[str]:
    return _in_percent(worst(found.points).ratio_error) if found.points else [DASH] * 3


def _worst_phase(found: RangeResult) -> list[str]:
    """The worst phase displacement, its U and its limit, in minutes of arc, and its verdict."""
    if not found.phase:
        return [DASH] * 4
    angle = worst(found.phase).displacement
    return [*value_and_u(angle, MINUTES_PER_RADIAN), minutes_limit(angle), angle.verdict or DASH]


_RATIO: Sequence[Column[RangeResult]] = (
    Column("Turns\nexpected", 16, lambda r: str(r.expected_turns), numeric=True),
    Column("Turns\nfound", 31, lambda r: _turns(r.effective_turns)),
    Column("Nearest\ninteger", 14, lambda r: _nearest(r.effective_turns), numeric=True),
    Column("Points", 12, lambda r: str(len(r.points)), numeric=True),
    *side_by_side(_worst_ratio, ("Worst error\nin %", 21), ("U\nin %", 12), ("Limit\nin %", 13)),
    Column("Verdict", 20, verdict_text),
)

_POWER: Sequence[Column[RangeResult]] = (
    *side_by_side(
        lambda r: _in_percent(worst(r.power).power_error),
        ("Worst power\nerror in %", 18),
        ("U\nin %", 11),
        ("Limit\nin %", 12),
    ),
    Column("Measured at", 28, lambda r: _measured_at(worst(r.power))),
    Column("Verdict", 18, lambda r: worst(r.power).power_error.verdict or DASH),
    *side_by_side(
        _worst_phase, ("Worst phase\ndisplacement\nin minutes\nof arc (′)", 20), ("U\nin ′", 13), ("Limit\nin ′", 14)
    ),
    Column("Verdict", 19, lambda r: _worst_phase(r)[3]),
)


def summary_of_ranges(results: Results) -> Iterator[Flowable]:
    """A row for every range; another where power was measured. Nothing when the run was not to take ratio errors."""
    if not results.ratio_taken:
        return
    yield heading("Summary of ranges")
    bold = [i for i, r in enumerate(results.ranges) if r.verdict.endswith("fail")]
    yield listed(("Range", 31), _RATIO, [(r.name, r) for r in results.ranges], bold)
    unclaimed = any(None in _verdicts(r) for r in results.ranges)
    yield space(1.5)
    yield from _power(results)
    yield prose(
        f"{_WORST}{'; the largest |error| where nothing is claimed' if unclaimed else ''}. "
        "U: expanded uncertainty; its coverage factor k is stated with each result.",
        "small",
    )


def _power(results: Results) -> Iterator[Flowable]:
    measured = [r for r in results.ranges if r.power]
    if not measured:
        return
    bold = [n for n, r in enumerate(measured) if any((v or "").endswith("fail") for v in _verdicts(r))]
    table = listed(("Range", 17), _POWER, [(r.name, r) for r in measured], bold)
    yield KeepTogether([table, space(1.5)])


def _verdicts(found: RangeResult) -> list[Verdict | None]:
    return [*(p.power_error.verdict for p in found.power), *(p.displacement.verdict for p in found.phase)]


def _turns(turns: EffectiveTurns | None) -> str:
    return DASH if turns is None else plus_minus(turns.value, turns.expanded_uncertainty)


def _nearest(turns: EffectiveTurns | None) -> str:
    if turns is None:
        return DASH
    return str(turns.nearest) if turns.holds_whole_number else "none"


def _measured_at(point: PowerPoint) -> str:
    return f"{current(point.reference_current, 3)}, {power_factor(point.power_factor)}"
