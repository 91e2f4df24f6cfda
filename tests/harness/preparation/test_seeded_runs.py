"""Readings along the course of another seed against whole runs through the protocols."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from harness.core.errors import UserError
from harness.preparation.seeded_runs import SeededRuns, seeded_runs
from harness.record.history import observed_points
from simulated import many_benches
from simulated.physics.first_order import FirstOrderStep
from tests.direct_physics import demo_inputs
from tests.on_twin import TwinRun

SEEDS = range(3000, 3004)


@cache
def demo_runs(faults: tuple[str, ...] = (), share: float | None = None) -> SeededRuns:
    """The project's own device and bench."""
    return seeded_runs(demo_inputs(), faults, share)


def counted(runs: SeededRuns, patch: pytest.MonkeyPatch) -> list[int]:
    """The seeds that are run through the protocols from now on."""
    plain: list[int] = []
    through = SeededRuns.through_protocols
    patch.setattr(SeededRuns, "through_protocols", lambda self, seed: (plain.append(seed), through(self, seed))[1])
    return plain


@pytest.mark.parametrize(
    ("faults", "share"),
    [
        ((), None),
        ((), 1.0),
        (("turn-missing:x4",), None),
        (("switch-left-in-another-position:x1",), None),
        (("winding-reversed:x20", "display-factor-forgotten:x4"), None),
        (("saturating-core", "core-gap"), None),
        (("closed-turn", "bent-gain", "display-offset"), None),
        (("reference-wrong", "high-threshold", "high-resistance-fuse"), None),
    ],
)
def test_every_reading_is_that_of_a_run_through_the_protocols(
    faults: tuple[str, ...], share: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the last digit, and its times too."""
    runs = demo_runs(faults, share)
    plain = counted(runs, monkeypatch)
    found = list(runs.points(SEEDS))
    assert not plain
    for seed, points in zip(SEEDS, found, strict=True):
        inputs = runs.inputs
        simulation = inputs.bench.simulation.model_copy(update={"seed": seed, "faults": list(faults)})
        bench = inputs.bench.model_copy(update={"simulation": simulation})
        run = TwinRun(dataclasses.replace(inputs, bench=bench), faults, share_of_claim=share)
        run.run()
        assert points == tuple(observed_points(run.record))


def test_seeds_differ() -> None:
    """Otherwise nothing would be shown by their being equal to the plain ones."""
    one, other = demo_runs().points(SEEDS[:2])
    assert [p.name for p in one] == [p.name for p in other]
    assert all(a.pairs != b.pairs for a, b in zip(one, other, strict=True) if a.direction != "zero")


@pytest.mark.parametrize("faults", [("turn-extra:x1",), ("secondary-open",)])
def test_a_run_whose_currents_follow_its_readings_is_not_followed(faults: tuple[str, ...]) -> None:
    """What is held below a rating, or left out, by what was read has no course in common."""
    with pytest.raises(UserError, match="no seed can follow another"):
        seeded_runs(demo_inputs(), faults)


def test_a_seed_that_settles_otherwise_is_run_through_the_protocols(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its readings come from a course of its own."""
    runs = demo_runs()
    narrow = dataclasses.replace(runs, settlings=tuple(dataclasses.replace(s, floor=-1.0) for s in runs.settlings))
    plain = counted(runs, monkeypatch)
    assert list(narrow.points(SEEDS[:1])) == list(runs.points(SEEDS[:1]))
    assert plain == [SEEDS[0]]


def test_a_seed_held_below_another_current_is_run_through_the_protocols(monkeypatch: pytest.MonkeyPatch) -> None:
    """The currents of its course would be others."""
    runs = demo_runs()
    lower = dataclasses.replace(
        runs, ranges=tuple(dataclasses.replace(r, maximum_test_current=r.maximum_test_current / 2) for r in runs.ranges)
    )
    plain = counted(runs, monkeypatch)
    list(lower.points(SEEDS[:1]))
    assert plain == [SEEDS[0]]


def test_a_quantity_of_first_order_is_that_of_every_single_time() -> None:
    """Before the first change, at one, and after it."""
    changes = [
        FirstOrderStep(),
        FirstOrderStep(1.0, 0.0, 3.0),
        FirstOrderStep(1.05, 2.2, 0.5),
        FirstOrderStep(4.0, 0.0, 0.0),
    ]
    times = np.array([-1.0, 0.0, 1.0, 1.02, 1.05, 1.3, 3.9, 4.0, 9.0])
    found = many_benches._followed(changes, times, 0.04)
    expected = [next(c for c in reversed(changes) if c.time <= t).at(t, 0.04) for t in times]
    assert found == pytest.approx(expected, rel=1e-15)
