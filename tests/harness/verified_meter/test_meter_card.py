"""The card of a verified meter: its ranges in order, what they were verified for, and what its readings stand for."""

from __future__ import annotations

import dataclasses
import datetime as dt

import pytest

from harness.core.errors import UserError
from harness.results import MeterCard, Reason, Results
from harness.verified_meter.corrected_current import corrected_current
from harness.verified_meter.measured_quantity import DisplayedValue
from harness.verified_meter.meter_card import meter_card
from tests.reports import sample_results

VERIFIED = dt.date(2026, 3, 2)


def card(results: Results) -> MeterCard:
    return meter_card(results, "0000-0000-0000", VERIFIED, None)


def with_verdict(results: Results, *verdicts: str) -> Results:
    ranges = [dataclasses.replace(r, verdict=v) for r, v in zip(results.ranges, verdicts, strict=True)]  # type: ignore[arg-type]
    return dataclasses.replace(results, ranges=tuple(ranges))


def test_an_unknown_load_begins_on_the_fewest_turns_in_whatever_order_the_ranges_come() -> None:
    results = sample_results.passing()
    found = card(dataclasses.replace(results, ranges=results.ranges[::-1]))
    assert found.first == min(results.ranges, key=lambda r: r.expected_turns).name
    assert [r.name for r in found.ranges] == [r.name for r in sorted(results.ranges, key=lambda r: r.expected_turns)]


def test_what_it_says_of_a_reading_is_what_a_reading_is_said_to_be() -> None:
    results = sample_results.passing()
    found = card(results)
    assert all(rng.readings for rng in found.ranges)
    for rng in found.ranges:
        assert rng.lowest is not None
        assert rng.highest is not None
        for reading in rng.readings:
            assert rng.lowest <= reading.displayed * rng.display_factor <= rng.highest <= rng.withstands
            shown = [DisplayedValue(reading.displayed, results.device.resolution)]
            value = corrected_current(results, rng.name, shown, 0.0).corrected
            assert (reading.current, reading.expanded_uncertainty) == (value.value, value.expanded_uncertainty)


def test_a_range_that_does_not_conform_has_no_currents_and_without_the_first_there_is_no_card() -> None:
    results = sample_results.passing()
    others = ["pass"] * (len(results.ranges) - 1)
    found = card(with_verdict(results, *others, "fail"))
    (failed,) = [r for r in found.ranges if not r.verified]
    assert (failed.name, failed.lowest, failed.withstands, failed.readings) == (results.ranges[-1].name, None, 0.0, ())
    first = results.ranges[0].name
    with pytest.raises(
        UserError, match=f"range {first}, on which an unknown load must begin, was not verified as conforming"
    ):
        card(with_verdict(results, "fail", *others))


def test_a_range_with_points_in_a_part_of_its_claim_is_verified_there_alone() -> None:
    """A run of one common current says nothing of the rest of the span, whatever it claims."""
    for rng in card(sample_results.turns_check()).ranges:
        (source,) = [r for r in sample_results.turns_check().ranges if r.name == rng.name]
        assert rng.lowest == source.points[0].reference_current > source.minimum_current
        assert rng.highest == pytest.approx(source.points[-1].reference_current, rel=0.02)


def test_readings_that_contradict_each_other_give_no_card() -> None:
    results = dataclasses.replace(sample_results.passing(), contradictions=(Reason.of("no-voltage"),))
    with pytest.raises(UserError, match="contradict"):
        card(results)


def test_a_verdict_on_a_part_of_the_claim_says_so() -> None:
    """Who borrows the meter sees the card and no certificate."""
    results = sample_results.passing()
    *others, last = results.ranges
    span = (last.points[0].reference_current, last.points[-1].reference_current)
    part = dataclasses.replace(results, ranges=(*others, dataclasses.replace(last, stands_for=span)))
    assert card(results).verdict == "pass"
    assert card(part).verdict == "partial pass"
