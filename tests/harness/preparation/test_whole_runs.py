"""Verifications of tests/benchmarks/whole_runs.py against runs through the protocols."""

from functools import partial
from typing import Any

import pytest

from harness.preparation.seeded_runs import SeededRuns
from harness.record.history import observed_points
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from tests.benchmarks.whole_runs import followed, integrating, of_whole_claim, verifications
from tests.on_twin import TwinRun

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
        drawn = partial(of_whole_claim, runs.inputs.bench)
        for seed, points in zip(SEEDS, runs.points(SEEDS), strict=True):
            run = TwinRun(runs.inputs)
            run.clock = clock = VirtualClock()
            run.bench = SimulatedBench(drawn(run.bench.description, seed), clock)
            run.run()
            assert points == tuple(observed_points(run.record))


def test_a_sound_meter_passes_and_most_intervals_hold_the_truth() -> None:
    """117 intervals stated at 95 %: fewer than 80 % would not be chance."""
    found = list(verifications(followed(), SEEDS))
    assert all(set(one.verdicts) == {"pass"} for one in found)
    held = [hit for one in found for hit in one.held.values()]
    assert len(held) == 39 * len(SEEDS)
    assert sum(held) / len(held) > 0.8
