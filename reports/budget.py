"""What the uncertainty of a result is made of: the form of a budget, and on every range that of the point closest to its limit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether

from harness.results import BudgetLine, Point, Results, Stated
from reports.front import closest_point
from reports.paper import heading, prose, ruled, space
from reports.rounding import (
    NO_BREAK,
    current_exponent,
    current_unit,
    exact,
    round_pair,
    round_significant,
    written,
)

_ROOM_FOR_A_TABLE = 65
"""Millimetres of a table of eight inputs with what is above and below it."""


@dataclass(frozen=True)
class Measurand:
    """What a budget is of. `unit` as in `BudgetLine`; numbers are printed in `printed_unit`, `scale` of which are one `unit`."""

    name: str
    unit: str
    printed_unit: str
    scale: float

    def printed(self, value: float) -> Decimal:
        """`value` in the unit it is printed in."""
        return exact(value) * exact(self.scale)

    def with_unit(self, number: Decimal) -> str:
        """`number`, which is in the printed unit, with it."""
        return f"{written(number)}{NO_BREAK}{self.printed_unit}"


RATIO_ERROR = Measurand("Ratio error", "1", "%", 100.0)


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
        yield budget(
            f"Budget of the point closest to its limit on range {name}: {point.name}",
            RATIO_ERROR,
            _stated(point),
            point.limit,
            point.budget,
        )


def budget(
    title: str, measurand: Measurand, found: Stated, limit: float | None, lines: Sequence[BudgetLine]
) -> Flowable:
    """One budget under its title, with what follows from it below; `found` and `limit` in the measurand's unit."""
    return KeepTogether(
        [
            prose(title, "subheading"),
            _table(measurand, found, lines),
            space(1),
            prose(_note(measurand, found, limit), "small"),
        ]
    )


def _stated(point: Point) -> Stated:
    return Stated(
        point.ratio_error,
        point.standard_uncertainty,
        point.expanded_uncertainty,
        point.coverage_factor,
        point.degrees_of_freedom,
    )


def _table(measurand: Measurand, found: Stated, lines: Sequence[BudgetLine]) -> Flowable:
    rows: list[list[str | Flowable]] = [
        [
            line.source,
            line.distribution,
            _own(measurand, line),
            _sensitivity(measurand, line),
            _standard(measurand, line.contribution),
            degrees(line.degrees_of_freedom),
            "yes" if line.shared else "no",
        ]
        for line in lines
    ]
    total = [f"{measurand.name}, combined", "", "", "", _standard(measurand, found.standard_uncertainty)]
    rows.append([*total, degrees(found.degrees_of_freedom), ""])
    head = [
        "Source",
        "Distribution",
        "u(x)",
        "c",
        f"|c| u(x)\nin {measurand.printed_unit}",
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


def _own(measurand: Measurand, line: BudgetLine) -> str:
    """The input's own standard uncertainty to two digits with its unit."""
    if line.unit == "1":
        return f"{written(round_significant(exact(line.standard_uncertainty, 2)))}{NO_BREAK}%"
    if line.unit == measurand.unit:
        return measurand.with_unit(round_significant(measurand.printed(line.standard_uncertainty)))
    rounded = round_significant(exact(line.standard_uncertainty))
    if line.unit != "A":
        return f"{written(rounded)}{NO_BREAK}{line.unit}"
    exponent = current_exponent(float(rounded))
    return f"{written(rounded.scaleb(-exponent))}{NO_BREAK}{current_unit(exponent)}"


def _sensitivity(measurand: Measurand, line: BudgetLine) -> str:
    """With its unit, `/ A` for an input in amperes; three digits are enough to follow the product."""
    if line.unit == measurand.unit:
        return written(round_significant(exact(line.sensitivity), 3))
    plain = measurand.unit == "1"
    value = exact(line.sensitivity) if plain else measurand.printed(line.sensitivity)
    above = "" if plain else f"{NO_BREAK}{measurand.printed_unit}"
    below = "" if line.unit == "1" else f"{NO_BREAK}/{NO_BREAK}{line.unit}"
    return f"{written(round_significant(value, 3))}{above}{below}"


def _standard(measurand: Measurand, uncertainty: float) -> str:
    return written(round_significant(measurand.printed(uncertainty)))


def degrees(freedom: float | None) -> str:
    """Degrees of freedom for print, cut to one decimal; None and infinity are \N{INFINITY}."""
    if freedom is None or not math.isfinite(freedom):
        return "\N{INFINITY}"
    return f"{math.floor(freedom * 10) / 10:.1f}"


def _note(measurand: Measurand, found: Stated, limit: float | None) -> str:
    value, uncertainty = round_pair(measurand.printed(found.value), measurand.printed(found.expanded_uncertainty))
    standard = round_significant(measurand.printed(found.standard_uncertainty))
    claimed = (
        "nothing is claimed"
        if limit is None
        else f"limit {measurand.with_unit(round_significant(measurand.printed(limit), 4))}"
    )
    return (
        f"U = {found.coverage_factor:.2f} × {measurand.with_unit(standard)} = {measurand.with_unit(uncertainty)}; "
        f"{measurand.name[0].lower()}{measurand.name[1:]} {measurand.with_unit(value)}, {claimed}."
    )
