"""Whether the stated intervals hold what they promise: many verifications with errors drawn inside every claim."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from conftest import RUN_DATE, SCALES, observed

from harness.bench import Bench
from harness.device import Device
from harness.evaluation.observed import ObservedPoint
from harness.evaluation.ranges import evaluate_ranges

VERIFICATIONS = 300
PAIRS = 4
OF_READING = {0.01: 6e-4, 0.1: 6e-4, 1.0: 8e-4, 10.0: 1e-3}
OF_RANGE = 2e-4
STEP = {0.01: 1e-8, 0.1: 1e-7, 1.0: 1e-6, 10.0: 1e-5}
DISPLAY_STEP = 1e-3
DRIFT = 2e-4 * 182 / 365.25
CURRENTS = {"x1": (1.5, 9.0, 40.0, 100.0), "x10": (0.15, 1.0, 4.0, 10.0)}


def _rounded(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(values / step) * step


def _points(draw: np.random.Generator, shown: dict[str, float]) -> list[ObservedPoint]:
    """One verification of a meter that shows `shown[range]` times the current, by a reference wrong within its claim."""
    gain = {s: draw.uniform(-OF_READING[s], OF_READING[s]) for s in SCALES}
    offset = {s: draw.uniform(-OF_RANGE * s, OF_RANGE * s) for s in SCALES}
    drift = draw.uniform(-DRIFT, DRIFT)
    path = 20 * (1 + draw.normal(0, 0.0005 / 2))
    points = []
    for rng, currents in CURRENTS.items():
        for nominal in currents:
            true = nominal * (1 + draw.uniform(-0.01, 0.01))
            scale = next(s for s in SCALES if 20 * s >= 1.05 * nominal)
            reading = (true / path - offset[scale]) / (1 + gain[scale] + drift)
            references = _rounded(np.full(PAIRS, reading), STEP[scale])
            noise = draw.normal(0, 1.5e-3 + 5e-4 * true * shown[rng], PAIRS)
            displayed = _rounded(true * shown[rng] + noise, DISPLAY_STEP)
            points.append(observed(rng, nominal, displayed.tolist(), references=references.tolist()))
    return points


def test_intervals_hold_the_truth_as_often_as_they_say(device: Device, bench: Bench) -> None:
    """JCGM 100:2008, 6.2.1 and G.1: 95.45 % of the values lie inside; seeded draws, of 300 at least 93 % must be found there.

    Intervals far too wide would pass that: half of each must miss at least a fifth.
    """
    draw = np.random.default_rng(61869)
    inside: dict[str, list[float]] = defaultdict(list)
    for _ in range(VERIFICATIONS):
        gain, turns = draw.uniform(-5e-3, 5e-3), 10 * (1 + draw.uniform(-3e-3, 3e-3))
        truth = {"x1": gain, "x10": (1 + gain) * turns / 10 - 1}
        shown = {"x1": 1 + gain, "x10": (1 + gain) * turns}
        for result in evaluate_ranges(device, bench, _points(draw, shown), [], RUN_DATE).ranges:
            for point in result.points:
                inside[point.name].append(abs(point.ratio_error - truth[result.name]) / point.expanded_uncertainty)
            found = result.effective_turns
            assert found is not None
            right = turns if result.name == "x10" else 1 + gain
            inside[f"{result.name} turns"].append(abs(found.value - right) / found.expanded_uncertainty)
    part = {name: np.mean(np.array(distances) <= 1) for name, distances in inside.items()}
    half = {name: np.mean(np.array(distances) <= 0.5) for name, distances in inside.items()}
    assert len(part) == 10
    assert min(part.values()) >= 0.93, part
    assert max(half.values()) <= 0.80, half
