"""What is said of a load beside its values, from readings made up for it."""

from __future__ import annotations

import dataclasses

import pytest

from harness.results import MeasuredLoad
from harness.verified_meter.load_dialogue import LoadReading, LoadReadings, WithoutLoad
from harness.verified_meter.measured_load import MeasuredAs, measured_load
from tests.reports import sample_results


def measured(*displayed: float, crest_factor: float | None = None, own: float = 0.0) -> MeasuredLoad:
    """Of readings on x1, the range of the fewest turns, which withstands 80 A."""
    results = sample_results.passing()
    rng = results.ranges[0]
    taken = tuple(LoadReading(rng.name, value, None, 4.0 * n) for n, value in enumerate(displayed))
    readings = LoadReadings(rng, taken, WithoutLoad(own, None))
    about = MeasuredAs("lamp", "", "", "", "", None, 0.0, crest_factor)
    return measured_load(results, readings, about, [])


@pytest.mark.parametrize(("crest_factor", "told"), [(None, False), (1.414, False), (2.8, False), (2.9, True)])
def test_a_peak_that_the_input_may_clip_is_told(crest_factor: float | None, told: bool) -> None:
    """40 A at a crest factor of 2.83 have the peak of a sine of 80 A, 113 A."""
    found = measured(40.0, 40.0, crest_factor=crest_factor)
    assert any("may clip it" in text for text in found.not_included) is told


def test_readings_that_scatter_wildly_are_told_by_their_figure() -> None:
    """The mean of 30, 40 and 50 A is 40 A: a quarter off."""
    found = measured(30.0, 40.0, 50.0)
    assert any("depart by up to 25% from their mean" in text for text in found.not_included)
    assert not found.steady
    assert not any("depart by" in text for text in measured(40.0, 40.1, 39.9).not_included)


def test_what_the_meter_shows_without_the_load_makes_the_current_uncertain_by_as_much() -> None:
    """+-1 A of 40 A, within a tenth of it and half a step: a rectangle of 1.1 A has u = 0.635 A (JCGM 100:2008, 4.3.7)."""
    found = measured(40.0, 40.0, own=1.0)
    alone = measured(40.0, 40.0)
    assert found.current.value == pytest.approx(alone.current.value)
    grown = found.current.standard_uncertainty**2 - alone.current.standard_uncertainty**2
    assert grown**0.5 == pytest.approx(0.635, rel=5e-3)
    assert dataclasses.asdict(found)["own_current"] == 1.0
