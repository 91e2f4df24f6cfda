"""What the uncertainty of a point is made of: on every range that of the point closest to its limit."""

from __future__ import annotations

import math
from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether

from harness.results import BudgetLine, Point, Results
from reports.front import closest_point, limit_text
from reports.paper import heading, prose, ruled, space
from reports.rounding import (
    NO_BREAK,
    current_exponent,
    current_unit,
    exact,
    percent_pair,
    round_significant,
    written,
)

_ROOM_FOR_A_TABLE = 65
"""Millimetres of a table of eight inputs with what is above and below it."""


def budgets(results: Results) -> Iterator[Flowable]:
    """A page of budgets; nothing when no point was taken."""
    closest = [(r.name, point) for r in results.ranges if (point := closest_point(r.points)) is not None]
    if not closest:
        return
    yield CondPageBreak(min(235, 30 + _ROOM_FOR_A_TABLE * len(closest)) * mm)
    yield heading("Uncertainty budgets")
    yield prose(
        "Of each range the point closest to its limit; the budgets of all points are in the results file. u(x) is the standard "
        "uncertainty of the input itself, c the sensitivity of the ratio error to it, |c| u(x) what it contributes. Shared inputs "
        "are one and the same input at other points, whose errors are therefore correlated. Where the primary "
        "turns lie in the window of the item's own transformer is no input: it is part of the item, and of what was verified.",
        "small",
    )
    for name, point in closest:
        yield space(3)
        yield KeepTogether(
            [
                prose(f"Budget of the point closest to its limit on range {name}: {point.name}", "subheading"),
                _budget(point),
                space(1),
                prose(_note(point), "small"),
            ]
        )


def _budget(point: Point) -> Flowable:
    rows: list[list[str | Flowable]] = [
        [
            line.source,
            line.distribution,
            _own(line),
            _sensitivity(line),
            _standard(line.contribution),
            degrees(line.degrees_of_freedom),
            "yes" if line.shared else "no",
        ]
        for line in point.budget
    ]
    total = ["Ratio error, combined", "", "", "", _standard(point.standard_uncertainty)]
    rows.append([*total, degrees(point.degrees_of_freedom), ""])
    head = [
        "Source",
        "Distribution",
        "u(x)",
        "c",
        "|c| u(x)\nin %",
        "Degrees of\nfreedom",
        "Shared",
    ]
    return ruled(
        head,
        rows,
        [w * mm for w in (53, 21, 20, 22, 20, 19, 15)],
        numeric=(4, 5),
        bold_rows=[len(rows) - 1],
        keep_with_head=len(rows),
    )


def _own(line: BudgetLine) -> str:
    """The input's own standard uncertainty to two digits with its unit."""
    if line.unit == "1":
        return f"{written(round_significant(exact(line.standard_uncertainty, 2)))}{NO_BREAK}%"
    rounded = round_significant(exact(line.standard_uncertainty))
    if line.unit != "A":
        return f"{written(rounded)}{NO_BREAK}{line.unit}"
    exponent = current_exponent(float(rounded))
    return f"{written(rounded.scaleb(-exponent))}{NO_BREAK}{current_unit(exponent)}"


def _sensitivity(line: BudgetLine) -> str:
    """With its unit, `/ A` for an input in amperes; three digits are enough to follow the product."""
    number = written(round_significant(exact(line.sensitivity), 3))
    return number if line.unit == "1" else f"{number}{NO_BREAK}/{NO_BREAK}{line.unit}"


def _standard(fraction: float) -> str:
    return written(round_significant(exact(fraction, 2)))


def degrees(freedom: float | None) -> str:
    """Degrees of freedom for print, cut to one decimal; None and infinity are \N{INFINITY}."""
    if freedom is None or not math.isfinite(freedom):
        return "\N{INFINITY}"
    return f"{math.floor(freedom * 10) / 10:.1f}"


def _note(point: Point) -> str:
    error, uncertainty = percent_pair(point.ratio_error, point.expanded_uncertainty)
    return (
        f"U = {point.coverage_factor:.2f} × {_standard(point.standard_uncertainty)}{NO_BREAK}% = "
        f"{uncertainty}{NO_BREAK}%; ratio error {error}{NO_BREAK}%, limit {limit_text(point)}{NO_BREAK}%."
    )
