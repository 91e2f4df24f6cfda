"""The certificate's table of the points of a range, with its columns."""

from reportlab.platypus import Flowable

from harness.core.rounding import current_exponent, current_unit, exact, power_factor, round_pair, written
from harness.results import Point, RangeResult, Results
from reports.cells import DASH, PERCENT, decided_texts, limit_text, value_and_u
from reports.page_style import Column, listed, side_by_side


def points_table(found: RangeResult, marks: dict[str, str]) -> Flowable:
    """Table of the points, with the power factor of each where not all are 1."""
    points = found.points
    exponent = current_exponent(max(p.reference_current for p in points))
    unit, factors = current_unit(exponent), _power_factors(found)

    def coverage(p: Point) -> str:
        return f"{p.ratio_error.coverage_factor:.2f} {marks[p.ratio_error.coverage_method]}".rstrip()

    def currents(p: Point) -> list[str]:
        """Both to the last place of the expanded uncertainty, taken as a current."""
        uncertainty = exact(p.ratio_error.expanded_uncertainty * abs(p.reference_current), -exponent)
        both = (exact(amperes, -exponent) for amperes in (p.reference_current, p.indicated_current))
        return [written(round_pair(amperes, uncertainty)[0]) for amperes in both]

    columns: list[Column[Point]] = [
        *([Column("Power\nfactor", 21, lambda p: factors.get(p.name, DASH))] if factors else ()),
        *side_by_side(currents, (f"Reference\ncurrent in {unit}", 20), (f"Indicated\ncurrent in {unit}", 20)),
        *side_by_side(lambda p: value_and_u(p.ratio_error, PERCENT), ("Ratio error\nin %", 18), ("U\nin %", 12)),
        Column("k", 14, coverage, True),
        Column("Limit\nin %", 14, lambda p: limit_text(p.ratio_error), True),
        *side_by_side(lambda p: decided_texts(p.ratio_error), ("Limit\n/ U", 13), ("Risk\nin %", 13)),
        Column("Pairs", 11, lambda p: str(p.pairs), True),
        Column("Verdict", 20, lambda p: p.ratio_error.verdict or DASH),
    ]
    rows = [({"up": "rising", "down": "falling"}.get(p.direction, p.direction), p) for p in points]
    failed = [i for i, p in enumerate(points) if (p.ratio_error.verdict or "").endswith("fail")]
    return listed(("Direction", 15), columns, rows, failed)


def _power_factors(found: RangeResult) -> dict[str, str]:
    """Power factor of each point that has one, by name: the measured one, or the load's setting; none where all are 1."""
    asked = {p.name: p.nominal_power_factor for p in found.points if p.nominal_power_factor is not None}
    told = {
        name: power_factor(value) for name, value in (asked | {p.name: p.power_factor for p in found.power}).items()
    }
    return told if set(told.values()) - {"1"} else {}


def coverage_marks(results: Results) -> dict[str, str]:
    """A letter for each way coverage factors were found, in order of appearance; none when there is only one way."""
    methods = list(dict.fromkeys(p.ratio_error.coverage_method for r in results.ranges for p in r.points))
    return {m: chr(ord("a") + i) if len(methods) > 1 else "" for i, m in enumerate(methods)}
