"""The card of a verified meter, from its results."""

import datetime as dt
import math
from collections.abc import Iterator

from harness.core.errors import UserError
from harness.results import CardReading, MeterCard, RangeCard, RangeResult, Results, accepted, partly
from harness.verified_meter.corrected_current import corrected_current
from harness.verified_meter.known_error import verified_span
from harness.verified_meter.measured_quantity import DisplayedValue

ASKED = 0.02
"""A load draws what it was asked for within this part of it."""

UNPROTECTED = ("unprotected-input", "unprotected-part", "open-supply")
WRONG = "wrong-on-paper"
"""Findings of the check on paper that concern whoever uses the meter."""

SERIES = (1, 2, 5)
"""Displayed values on the card, times powers of ten: enough to see how the correction goes."""


def meter_card(results: Results, certificate: str, verified: dt.date, due: dt.date | None) -> MeterCard:
    """The card of the meter that `results` are of, whose certificate has this number. Raises UserError where no range was verified as conforming."""
    if results.contradictions:
        raise UserError("the readings of this verification contradict each other: no card is made from it")
    ranges = tuple(_range(results, r) for r in sorted(results.ranges, key=lambda r: r.expected_turns))
    if not ranges[0].verified:
        raise UserError(
            f"range {ranges[0].name}, on which an unknown load must begin, was not verified as conforming: no card is made from it"
        )
    return MeterCard(
        title=f"{results.device.maker} {results.device.type}",
        serial=results.device.serial,
        owner=results.device.owner,
        laboratory=results.run.laboratory,
        certificate=certificate,
        verified=verified,
        due=due,
        verdict=f"partial {results.verdict}" if partly(results) else results.verdict,
        simulated=results.run.simulated,
        power_on=tuple(r.name for r in results.ranges if r.power and accepted(r.verdict)),
        energy_on=tuple(r.name for r in results.ranges if r.register and accepted(r.verdict)),
        unprotected=tuple(r for r in results.open_on_paper if r.code in UNPROTECTED),
        wrong_on_paper=tuple(r for r in results.open_on_paper if r.code == WRONG),
        counts_energy=results.device.energy_resolution is not None,
        coverage_probability=results.decision.coverage_probability,
        ranges=ranges,
    )


def _range(results: Results, rng: RangeResult) -> RangeCard:
    if (span := verified_span(rng)) is None:
        return RangeCard(rng.name, rng.display_factor, rng.verdict, None, None, 0.0, ())
    # What the load was asked for, where the points reach as far as the claim: a reading of 799 mA verifies "from 800 mA".
    low = rng.minimum_current if math.isclose(span.lowest, rng.minimum_current, rel_tol=ASKED) else span.lowest
    high = rng.maximum_current if math.isclose(span.highest, rng.maximum_current, rel_tol=ASKED) else span.highest
    withstands = max(high, min(rng.maximum_current, rng.ceiling))
    return RangeCard(
        rng.name, rng.display_factor, rng.verdict, low, high, withstands, tuple(_readings(results, rng, low, high))
    )


def _readings(results: Results, rng: RangeResult, low: float, high: float) -> Iterator[CardReading]:
    step = results.device.resolution
    first, last = (current / rng.display_factor for current in (low, high))
    decades = range(math.floor(math.log10(first)), math.ceil(math.log10(last)) + 1)
    for displayed in (digit * 10.0**decade for decade in decades for digit in SERIES):
        # A value that the display can show.
        if first <= displayed <= last and displayed >= step:
            found = corrected_current(results, rng.name, [DisplayedValue(displayed, step)], 0.0).corrected
            yield CardReading(displayed, found.value, found.expanded_uncertainty)
