"""The form of an uncertainty budget."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from harness.core.rounding import (
    NO_BREAK,
    current_exponent,
    current_unit,
    exact,
    round_pair,
    round_significant,
    written,
)
from harness.results import BudgetLine, Stated
from reports.page_style import prose, ruled, space


@dataclass(frozen=True)
class Measurand:
    """The quantity of a budget. `unit` as in `BudgetLine`; printed with `sign` behind the number (a space in it, if any), `scale` of which are one `unit`.

    `word` is the sign spelt for the head of a column.
    """

    name: str
    unit: str
    sign: str
    scale: float
    word: str

    def printed(self, value: float) -> Decimal:
        """`value` in the unit it is printed in."""
        return exact(value) * exact(self.scale)

    def with_sign(self, number: Decimal) -> str:
        """`number`, in the unit it is printed in, with its sign."""
        return f"{written(number)}{self.sign}"


@dataclass(frozen=True)
class Budget:
    """A budget as shown; `found` and `limit` (None where nothing is claimed) in the measurand's unit."""

    title: str
    measurand: Measurand
    found: Stated
    limit: float | None
    lines: Sequence[BudgetLine]


def budget_table(budget: Budget, opening: Sequence[Flowable] = ()) -> Flowable:
    """The budget under its title with its result below, all on one page; `opening` stands above and stays with it."""
    table = _table(budget.measurand, budget.found, budget.lines)
    note = prose(_note(budget.measurand, budget.found, budget.limit), "small")
    return KeepTogether([*opening, prose(budget.title, "subheading"), table, space(1), note])


def _table(measurand: Measurand, found: Stated, lines: Sequence[BudgetLine]) -> Flowable:
    rows: list[list[str | Flowable]] = [_row(measurand, alike) for alike in _alike(measurand, lines)]
    total = [f"{measurand.name}, combined", "", "", "", _standard(measurand, found.standard_uncertainty)]
    rows.append([*total, degrees(found.degrees_of_freedom), ""])
    contribution = f"|c| u(x)\nin {measurand.word}"
    head = ["Input quantity", "Distribution", "u(x)", "c", contribution, "Degrees of\nfreedom", "Shared"]
    widths = [w * mm for w in (53, 21, 20, 22, 20, 19, 15)]
    return ruled(head, rows, widths, numeric=(4, 5), bold_rows=[len(rows) - 1], keep_with_head=len(rows))


def _alike(measurand: Measurand, lines: Sequence[BudgetLine]) -> list[list[BudgetLine]]:
    """`lines` grouped: those of the same input at several points that print alike are together."""
    together: dict[tuple[object, ...], list[BudgetLine]] = {}
    for number, line in enumerate(lines):
        alike = (line.source, line.distribution, _own(measurand, line), degrees(line.degrees_of_freedom))
        sensitivity = round_significant(exact(line.sensitivity))
        # An input that several points share is one input however often it is named.
        together.setdefault((number,) if line.shared else (*alike, sensitivity), []).append(line)
    return list(together.values())


def _row(measurand: Measurand, alike: Sequence[BudgetLine]) -> list[str | Flowable]:
    """One line of the table: u(x), c and degrees of freedom are those of each, the contribution is the root sum of squares."""
    line = alike[0]
    return [
        line.source if len(alike) == 1 else f"{line.source}, {len(alike)} times",
        line.distribution,
        _own(measurand, line),
        _sensitivity(measurand, line),
        _standard(measurand, math.hypot(*(one.contribution for one in alike))),
        degrees(line.degrees_of_freedom),
        "yes" if line.shared else "no",
    ]


def _own(measurand: Measurand, line: BudgetLine) -> str:
    """The input's own standard uncertainty to two digits with its unit."""
    if line.unit == "1":
        return f"{written(round_significant(exact(line.standard_uncertainty, 2)))}{NO_BREAK}%"
    if line.unit == measurand.unit:
        return measurand.with_sign(round_significant(measurand.printed(line.standard_uncertainty)))
    rounded = round_significant(exact(line.standard_uncertainty))
    if line.unit != "A":
        return f"{written(rounded)}{NO_BREAK}{line.unit}"
    exponent = current_exponent(float(rounded))
    return f"{written(rounded.scaleb(-exponent))}{NO_BREAK}{current_unit(exponent)}"


def _sensitivity(measurand: Measurand, line: BudgetLine) -> str:
    """The sensitivity with its unit, `/ A` for an input in amperes; three digits are enough to follow the product."""
    if line.unit == measurand.unit:
        return written(round_significant(exact(line.sensitivity), 3))
    plain = measurand.unit == "1"
    value = exact(line.sensitivity) if plain else measurand.printed(line.sensitivity)
    above = "" if plain else measurand.sign
    below = "" if line.unit == "1" else f"{NO_BREAK}/{NO_BREAK}{line.unit}"
    return f"{written(round_significant(value, 3))}{above}{below}"


def _standard(measurand: Measurand, uncertainty: float) -> str:
    return written(round_significant(measurand.printed(uncertainty)))


def degrees(freedom: float | None) -> str:
    """Degrees of freedom for print, cut to one decimal and from 100 on to three digits; None and infinity are \N{INFINITY}."""
    if freedom is None or not math.isfinite(freedom):
        return "\N{INFINITY}"
    if freedom < 100:
        return f"{math.floor(freedom * 10) / 10:.1f}"
    place = 10 ** (math.floor(math.log10(freedom)) - 2)
    return f"{math.floor(freedom / place) * place:d}"


def _note(measurand: Measurand, found: Stated, limit: float | None) -> str:
    value, uncertainty = round_pair(measurand.printed(found.value), measurand.printed(found.expanded_uncertainty))
    standard = round_significant(measurand.printed(found.standard_uncertainty))
    named = f"{measurand.name[0].lower()}{measurand.name[1:]} {measurand.with_sign(value)}"
    if limit is not None:
        named += f", limit {measurand.with_sign(round_significant(measurand.printed(limit), 4))}"
    return f"U = {found.coverage_factor:.2f} × {measurand.with_sign(standard)} = {measurand.with_sign(uncertainty)}; {named}."
