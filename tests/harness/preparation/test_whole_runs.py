"""Verifications of tests/benchmarks/whole_runs.py against runs through the protocols."""

from typing import Any

import pytest

from harness.preparation.seeded_runs import SeededRuns
from harness.record.history import observed_points
from tests.benchmarks.coverage_power import ran
from tests.benchmarks.whole_runs import followed, integrating, verifications

SEEDS = range(1, 4)


@pytest.mark.parametrize(("readings", "taking"), [(4, 0.1), (3, 0.1), (4, 1.0)])
def test_readings_on_benches_that_use_their_whole_claim_are_those_of_whole_runs(
    readings: int, taking: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the last digit, with slow instruments too, whose currents settle by two readings; none of the seeds needed a course of its own."""

    def unwanted(_: Any, seed: int) -> Any:
        pytest.fail(f"seed {seed} was run through the protocols")

    monkeypatch.setattr(SeededRuns, "through_protocols", unwanted)
    with integrating(taking):
        runs = followed(readings, taking)
        for seed, points in zip(SEEDS, runs.points(SEEDS), strict=True):
            assert points == tuple(observed_points(ran(runs.inputs, seed).record))


def test_a_sound_meter_passes_and_most_intervals_hold_the_truth() -> None:
    """117 intervals stated at 95 %: fewer than 80 % would not be chance."""
    found = list(verifications(followed(), SEEDS))
    assert all(set(one.verdicts) == {"pass"} for one in found)
    held = [hit for one in found for hit in one.held.values()]
    assert len(held) == 39 * len(SEEDS)
    assert sum(held) / len(held) > 0.8
