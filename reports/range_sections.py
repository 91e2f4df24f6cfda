"""The sections of the ranges: each with its points, its chart and its line."""

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether

from harness.core.rounding import (
    current_exponent,
    current_pair,
    current_unit,
    exact,
    percent,
    plus_minus,
    round_significant,
    true_minus,
    with_standard,
    written,
)
from harness.results import EffectiveTurns, Line, Offset, RangeResult, Results
from harness.wording.sentences import nearest_integer, reason_text, verdict_text
from reports.error_chart import error_chart
from reports.page_style import HALF, columns, facts, heading, prose, space
from reports.points_table import coverage_marks, points_table

_ROOM_FOR_A_RANGE = 105 * mm
_HALF_LABEL = 30 * mm


def range_sections(results: Results) -> Iterator[Flowable]:
    """Every range, each on one page where it fits."""
    marks = coverage_marks(results)
    for found in results.ranges if results.ratio_taken else ():
        yield CondPageBreak(_ROOM_FOR_A_RANGE if len(found.points) > 1 else 55 * mm)
        yield from _range(found, marks)


def _range(found: RangeResult, marks: dict[str, str]) -> Iterator[Flowable]:
    turns = [("Turns expected", str(found.expected_turns)), *_turns(found), ("Zero offset", _zero(found.zero))]
    left, right = (facts(rows, HALF, _HALF_LABEL) for rows in (turns, list(_line(found))))
    opening: list[Flowable] = [heading(f"Range {found.name}: {verdict_text(found)}"), columns(left, right)]
    opening += [space(1.5)] if found.remarks else []
    opening += [prose(true_minus(f"Remark: {reason_text(remark)}")) for remark in found.remarks]
    chart = error_chart(found.points)
    if chart is not None:
        opening += [space(2.5), chart]
    none = "No point was taken on this range. Nothing is certified about it."
    yield KeepTogether([*opening, space(1.5), points_table(found, marks) if found.points else prose(none, "strong")])


def _turns(found: RangeResult) -> Iterator[tuple[str, str]]:
    turns, factor = found.effective_turns, found.reading_factor
    if factor is not None:
        told = plus_minus(factor.value, factor.expanded_uncertainty)
        yield "Reading factor", f"{told} (k = {factor.coverage_factor:.2f}), indicated / reference current"
    if turns is None:
        alone = "this range alone cannot separate turns and gain of the meter"
        yield "Turns found", alone if factor is not None else "not determined by this run"
    else:
        told = plus_minus(turns.value, turns.expanded_uncertainty)
        yield "Turns found", f"{told} (k = {turns.coverage_factor:.2f}), {compared_at(turns)}"
        yield "Nearest integer", nearest_integer(turns)


def compared_at(turns: EffectiveTurns) -> str:
    """The method by which the turns were found, in words."""
    if turns.method == "equal ampere-turns":
        return f"against the base range at {turns.compared} equal ampere-turns"
    if turns.method == "between ampere-turns":
        points = "at one number" if turns.compared == 1 else f"at {turns.compared} numbers"
        return f"against the base range, whose points were interpolated to this range's, {points} of ampere-turns"
    return "against the base range at different ampere-turns: U includes the limit of error of both ranges there"


def _zero(zero: Offset | None) -> str:
    if zero is None:
        return "not measured by this procedure"
    weight = "significant" if zero.significant else "not significant"
    told = f"{current_pair(zero.value, zero.expanded_uncertainty)} (k = {zero.coverage_factor:.2f}), {weight}"
    return told if zero.value else f"{told}; a display that shows zero does not tell an offset smaller than its step"


def _line(found: RangeResult) -> Iterator[tuple[str, str]]:
    line, shape = found.line, found.linearity
    if line is not None:
        chi_squared = written(round_significant(exact(line.chi_squared), 3))
        yield "Slope", with_standard(exact(line.slope), exact(line.slope_uncertainty))
        yield "Intercept", _intercept(line)
        yield "Fit", f"χ² = {chi_squared} with {line.degrees_of_freedom} degrees of freedom"
        if line.departs:
            scatter = f"by more than their scatter (standard deviation {percent(line.departure)})"
            yield (
                "Lack of fit",
                f"The readings depart from a straight line {scatter}; slope and intercept include this.",
            )
    if shape is not None:
        kinds = {
            "independent": shape.independent,
            "zero-based": shape.zero_based,
            "terminal-based": shape.terminal_based,
        }
        told = ", ".join(f"{kind} {percent(error)}" for kind, error in kinds.items())
        yield "Linearity error", f"of span (IEC 61298-2): {told}"
        yield "Hysteresis", "not measured" if shape.hysteresis is None else f"{percent(shape.hysteresis)} of span"
    if line is None and shape is None:
        yield "Line, linearity", "not measured by this procedure"


def _intercept(line: Line) -> str:
    exponent = current_exponent(max(abs(line.intercept), line.intercept_uncertainty))
    value, uncertainty = (exact(part, -exponent) for part in (line.intercept, line.intercept_uncertainty))
    return with_standard(value, uncertainty, current_unit(exponent))
