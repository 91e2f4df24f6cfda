"""Every range at a glance: turns and worst errors, of power and phase too where they were measured."""

from __future__ import annotations

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.rounding import current, percent_pair, plus_minus, power_factor
from harness.results import RangeResult, Results, Verdict, worst
from harness.wording.reasons import verdict_text
from reports.first_page import ratio_taken
from reports.page_style import heading, prose, ruled, space
from reports.power_and_phase import minutes_limit, stated_percent, stated_plain
from reports.range_sections import limit_text

_WORST = "Worst error: the error with the largest |error| / limit among the points with the worst verdict"


def glance(results: Results) -> Iterator[Flowable]:
    """A row for every range; another where power was measured. Nothing when the run was not to take ratio errors."""
    if not ratio_taken(results):
        return
    yield heading("Summary of ranges")
    head = [
        "Range",
        "Turns\nexpected",
        "Turns\nfound",
        "Nearest\ninteger",
        "Points",
        "Worst error\nin %",
        "U\nin %",
        "Limit\nin %",
        "Verdict",
    ]
    widths = [w * mm for w in (31, 16, 31, 14, 12, 21, 12, 13, 20)]
    rows = [_row(r) for r in results.ranges]
    bold = [i for i, r in enumerate(results.ranges) if r.verdict.endswith("fail")]
    yield ruled(head, rows, widths, numeric=(1, 3, 4, 5, 6, 7), bold_rows=bold)
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
    head = [
        "Range",
        "Worst power\nerror in %",
        "U\nin %",
        "Limit\nin %",
        "Measured at",
        "Verdict",
        "Worst phase\ndisplacement\nin minutes\nof arc (′)",
        "U\nin ′",
        "Limit\nin ′",
        "Verdict",
    ]
    widths = [w * mm for w in (17, 18, 11, 12, 28, 18, 20, 13, 14, 19)]
    rows = [[r.name, *_worst_power(r), *_worst_phase(r)] for r in measured]
    bold = [n for n, r in enumerate(measured) if any((v or "").endswith("fail") for v in _verdicts(r))]
    yield KeepTogether([ruled(head, rows, widths, numeric=(1, 2, 3, 6, 7, 8), bold_rows=bold), space(1.5)])


def _verdicts(found: RangeResult) -> list[Verdict | None]:
    return [*(p.power_error.verdict for p in found.power), *(p.displacement.verdict for p in found.phase)]


def _worst_power(found: RangeResult) -> list[str]:
    furthest = worst(found.power)
    return [
        *stated_percent(furthest.power_error),
        limit_text(furthest.power_error),
        f"{current(furthest.reference_current, 3)}, {power_factor(furthest.power_factor)}",
        furthest.power_error.verdict or "–",
    ]


def _worst_phase(found: RangeResult) -> list[str]:
    if not found.phase:
        return ["–"] * 4
    angle = worst(found.phase).displacement
    return [*stated_plain(angle, MINUTES_PER_RADIAN), minutes_limit(angle), angle.verdict or "–"]


def _row(found: RangeResult) -> list[str]:
    turns = found.effective_turns
    row = [
        found.name,
        str(found.expected_turns),
        plus_minus(turns.value, turns.expanded_uncertainty) if turns else "–",
        (str(turns.nearest) if turns.holds_whole_number else "none") if turns else "–",
        str(len(found.points)),
    ]
    if found.points:
        error = worst(found.points).ratio_error
        row += [*percent_pair(error.value, error.expanded_uncertainty), limit_text(error)]
    else:
        row += ["–", "–", "–"]
    return [*row, verdict_text(found)]
