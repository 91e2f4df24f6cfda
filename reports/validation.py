"""Validation of the evaluation by propagation of distributions: a short table, and the results that do not agree."""

from collections.abc import Iterator, Sequence

from reportlab.platypus import Flowable, KeepTogether

from harness.core.rounding import exact, last_place, round_half_up, true_minus, written
from harness.results import Results, ValidatedQuantity
from reports.cells import to_place
from reports.page_style import Column, heading, listed, prose, space

SHOWN = 3
"""Number of results in agreement that are shown, those nearest to disagreement; all others are in the results file."""

_PLAIN = {"1": ("%", 2), "turns": ("turns", 0)}
"""Unit of a result -> unit it is printed in, power of ten between them."""


def validation(results: Results) -> Iterator[Flowable]:
    """The section on the validation; nothing when the evaluation was not validated."""
    found = results.validation
    if found is None:
        return
    open_ones = [q for q in found.quantities if q.outcome != "agrees"]
    agreeing = sorted((q for q in found.quantities if q.outcome == "agrees"), key=_missed, reverse=True)
    probability = to_place(found.coverage_probability, -2, 2)
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
    bold = [n for n, q in enumerate(open_ones) if q.outcome == "differs"]
    table = listed(("Result", 52), _COLUMNS, [(q.name, q) for q in (*open_ones, *agreeing[:SHOWN])], bold)
    section = [heading("Validation by Monte Carlo"), prose(true_minus(text)), space(1.5), table]
    yield from [KeepTogether(section)] if len(open_ones) < 12 else [KeepTogether(section[:-1]), table]


def _missed(quantity: ValidatedQuantity) -> float:
    """Distance of the worse end of the interval, as a part of the tolerance."""
    distance = max(abs(quantity.low - quantity.monte_carlo_low), abs(quantity.high - quantity.monte_carlo_high))
    return distance / quantity.tolerance if quantity.tolerance else 0.0


def _place(quantity: ValidatedQuantity, value: float) -> str:
    """`value` to the last place of the tolerance, in the unit it is printed in."""
    _, power = _PLAIN.get(quantity.unit, (quantity.unit, 0))
    tolerance = exact(quantity.tolerance, power)
    return written(round_half_up(exact(value, power), last_place(tolerance, 1) if tolerance > 0 else -9))


def _tolerance(quantity: ValidatedQuantity) -> str:
    return written(exact(quantity.tolerance, _PLAIN.get(quantity.unit, (quantity.unit, 0))[1]).normalize())


_COLUMNS: Sequence[Column[ValidatedQuantity]] = (
    Column("Unit", 13, lambda q: _PLAIN.get(q.unit, (q.unit, 0))[0]),
    Column("Value − U", 17, lambda q: _place(q, q.low), numeric=True),
    Column("Value + U", 17, lambda q: _place(q, q.high), numeric=True),
    Column("Low end,\nby trials", 17, lambda q: _place(q, q.monte_carlo_low), numeric=True),
    Column("High end,\nby trials", 17, lambda q: _place(q, q.monte_carlo_high), numeric=True),
    Column("Tolerance", 16, _tolerance, numeric=True),
    Column("Outcome", 21, lambda q: q.outcome),
)
