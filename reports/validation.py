"""What the propagation of distributions says of the evaluation: a short table, and which results it does not bear out."""

from __future__ import annotations

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from harness.core.rounding import exact, last_place, round_half_up, true_minus, written
from harness.results import Results, ValidatedQuantity
from reports.page_style import heading, prose, ruled, space

SHOWN = 3
"""So many of the results that agree are shown, those that come closest to not agreeing; all others are in the results file."""

_PLAIN = {"1": ("%", 2), "turns": ("turns", 0)}
"""Unit of a result -> unit it is printed in, power of ten between them."""


def validation(results: Results) -> Iterator[Flowable]:
    """The section on the validation; nothing when the evaluation was not validated."""
    found = results.validation
    if found is None:
        return
    open_ones = [q for q in found.quantities if q.outcome != "agrees"]
    agreeing = sorted((q for q in found.quantities if q.outcome == "agrees"), key=_missed, reverse=True)
    probability = written(round_half_up(exact(found.coverage_probability, 2), -2))
    text = (
        f"Every result was checked by propagation of distributions (Monte Carlo, JCGM 101:2008, clause 8): {found.trials:,} trials, "
        f"each input drawn from its own distribution, symmetric coverage intervals for {probability} %. "
        f"{len(agreeing)} of {len(found.quantities)} results agree: both ends of the interval value ± U lie within half a unit of the second "
        "significant digit of the standard uncertainty."
    )
    if open_ones:
        text += (
            " Results that differ, or that this number of trials cannot decide, come first in the table. For these, prefer the "
            "Monte Carlo interval."
        )
    table = ruled(
        [
            "Result",
            "Unit",
            "Value − U",
            "Value + U",
            "Low end,\nby trials",
            "High end,\nby trials",
            "Tolerance",
            "Outcome",
        ],
        [_row(q) for q in [*open_ones, *agreeing[:SHOWN]]],
        [w * mm for w in (52, 13, 17, 17, 17, 17, 16, 21)],
        numeric=(2, 3, 4, 5, 6),
        bold_rows=[n for n, q in enumerate(open_ones) if q.outcome == "differs"],
    )
    opening: list[Flowable] = [heading("Validation by Monte Carlo"), prose(true_minus(text)), space(1.5)]
    yield KeepTogether([*opening, table] if len(open_ones) < 12 else opening)
    if len(open_ones) >= 12:
        yield table


def _missed(quantity: ValidatedQuantity) -> float:
    """By how much of its tolerance the worse end misses."""
    distance = max(abs(quantity.low - quantity.monte_carlo_low), abs(quantity.high - quantity.monte_carlo_high))
    return distance / quantity.tolerance if quantity.tolerance else 0.0


def _row(quantity: ValidatedQuantity) -> list[str | Flowable]:
    unit, power = _PLAIN.get(quantity.unit, (quantity.unit, 0))
    tolerance = exact(quantity.tolerance, power)
    place = last_place(tolerance, 1) if tolerance > 0 else -9
    ends = (quantity.low, quantity.high, quantity.monte_carlo_low, quantity.monte_carlo_high)
    numbers = [written(round_half_up(exact(end, power), place)) for end in ends]
    return [quantity.name, unit, *numbers, written(tolerance.normalize()), quantity.outcome]
