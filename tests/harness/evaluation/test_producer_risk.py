"""How likely a sound meter is not passed: against published producer's risks, and against runs of sound meters from the physics."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from scipy.stats import binomtest

from harness.evaluation.diagnosis.causes import shipped_causes
from harness.evaluation.diagnosis.evidence import RATIO, Setting
from harness.evaluation.diagnosis.ordinary_errors import OrdinaryErrors, ordinary_errors
from harness.evaluation.producer_risk import JudgedError, Rejection, rejection
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from harness.results import Conformity
from tests.benchmarks.rejection import CLAIMS, campaign
from tests.harness.evaluation.conftest import RUN_DATE
from tests.sound_meters import SHAPE, smooth_shape

TABLE = Path(__file__).parents[2] / "reference" / "pfa_pfr_joint_normal.csv"


def _judged(error: Any, limit: float, passed: float) -> JudgedError:
    return JudgedError("x1", error, Conformity(limit, passed, 0.0, None, "pass"))


def _found(bench: Bench, spread: float, uncertainty: float, limit: float, passed: float, points: int = 1) -> Rejection:
    """Meters off by `spread` (standard deviation) at `points` points of one range that share all they have."""
    inputs = InputQuantities(bench, RUN_DATE)
    error = inputs.shared("the bench", uncertainty, "normal")
    judged = [_judged(error, limit, passed)] * points
    return rejection(inputs, judged, OrdinaryErrors(np.zeros(points), np.full((points, 1), spread)))


def _within_trials(found: Rejection, published: float) -> bool:
    """Whether the producer's risk, sound and not passed, is `published` within four standard deviations of the trials."""
    assert found.of_run is not None
    drawn = found.trials / found.conforming
    return abs(found.of_run * found.conforming - published) < 4 * math.sqrt(published / drawn) + 1e-4


def test_the_resistors(bench: Bench) -> None:
    """JCGM 106:2012, 9.5.3.2: u0 = 0.12, um = 0.04, tolerance 0.2 and acceptance 0.18 ohm: pc = 0.90, producer's risk 7 %."""
    found = _found(bench, 0.12, 0.04, 0.2, 0.18)
    assert found.conforming == pytest.approx(0.904419, abs=0.008)
    assert _within_trials(found, 0.06902651)


def test_the_same_rehearsal_tells_the_same(bench: Bench) -> None:
    """Trials are seeded: whoever rehearses the same files reads the same probabilities."""
    assert _found(bench, 0.12, 0.04, 0.2, 0.18) == _found(bench, 0.12, 0.04, 0.2, 0.18)


@pytest.mark.parametrize(("index", "percent"), [(2, 1.4677), (4, 0.3007), (10, 0.0717)])
def test_producers_risk_without_a_guard_band(bench: Bench, index: int, percent: float) -> None:
    """JCGM 106:2012, 9.5.6 and figure 17: u0 = T / 6 (T the whole tolerance) and a measuring capability index Cm = T / (4 um), w = 0."""
    assert _within_trials(_found(bench, 1 / 3, 1 / (2 * index), 1.0, 1.0), percent / 100)


@pytest.mark.parametrize(
    "row", list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines())), ids=lambda r: f"TUR {r['TUR']}"
)
def test_probability_of_false_reject(bench: Bench, row: dict[str, str]) -> None:
    """The joint normal table of false reject over TUR = T / U (U = 2 u), 90 % in tolerance."""
    spread = 1 / NormalDist().inv_cdf((1 + 0.90) / 2)
    assert _within_trials(_found(bench, spread, 1 / (2 * float(row["TUR"])), 1.0, 1.0), float(row["PFR_0.90"]))


def test_points_that_share_everything_are_one(bench: Bench) -> None:
    """Twelve points with the same inputs have the risk of the one of JCGM 106, 9.5.3.2, and not twelve times that."""
    assert _within_trials(_found(bench, 0.12, 0.04, 0.2, 0.18, points=12), 0.06902651)


def test_points_with_inputs_of_their_own_are_many(bench: Bench) -> None:
    """A meter without error at twelve independent points, each passed with Phi: 1 - (2 Phi(z) - 1)^12."""
    inputs = InputQuantities(bench, RUN_DATE)
    judged = [_judged(inputs.own("own", 0.5, "normal"), 1.0, 1.0) for _ in range(12)]
    found = rejection(inputs, judged, OrdinaryErrors(np.zeros(12), np.zeros((12, 1))))
    assert found.of_run == pytest.approx(1 - (2 * NormalDist().cdf(2) - 1) ** 12, abs=0.015)


def test_a_bound_is_drawn_as_a_bound(bench: Bench) -> None:
    """Of a rectangle of half-width 1 nothing lies beyond 1, and a quarter beyond 0.75."""
    inputs = InputQuantities(bench, RUN_DATE)
    bound = inputs.shared("bound", 1 / math.sqrt(3), "rectangular")
    nothing = OrdinaryErrors(np.zeros(1), np.zeros((1, 1)))
    assert rejection(inputs, [_judged(bound, 2.0, 1.0)], nothing).of_run == 0.0
    assert rejection(inputs, [_judged(bound, 2.0, 0.75)], nothing).of_run == pytest.approx(0.25, abs=0.015)


def test_a_claim_that_no_ordinary_meter_meets_has_no_probability(bench: Bench) -> None:
    found = _found(bench, 1.0, 0.001, 1e-5, 1e-5)
    assert found.of_run is None
    assert found.of_range == {"x1": None}
    assert found.conforming < 1e-3


def test_what_is_ordinary_is_what_the_catalogue_says(device: Device) -> None:
    """On x1 at 1 % and 10 % of the rated ampere-turns: gain 0.3 %, slope 0.12 % per decade from 10 % on, bend 0.2 % at the rated ones.

    Droops at the top are below 1e-4 of themselves there, knees of other sharpness 1 % of 0.06 % at most.
    """
    rated = device.transformer.rated_secondary_current * device.transformer.secondary_turns
    steps = device.display.resolution * device.ranges[0].display_factor
    places = [Setting(RATIO, device.ranges[0].name, part * rated) for part in (0.01, 0.1)]
    found = ordinary_errors(device, shipped_causes(), places)
    spread = found.columns @ found.columns.T
    low, tenth = 0.5 * steps / (0.01 * rated), 0.5 * steps / (0.1 * rated)
    assert math.sqrt(spread[1, 1]) == pytest.approx(math.hypot(0.003, 0.0002, 0.0005, tenth), rel=0.01)
    assert math.sqrt(spread[0, 0]) == pytest.approx(math.hypot(0.003, 0.0012, 0.00002, 0.0005, low), rel=0.01)
    assert spread[0, 1] == pytest.approx(0.003**2 + 0.0002 * 0.00002 + low * tenth, rel=0.01)
    assert found.means[1] - found.means[0] == pytest.approx(0.001, rel=0.01)


# Twenty whole runs take 20 s of processor time, which a busy machine may make many minutes.
@pytest.mark.timeout(900)
def test_sound_meters_fail_as_often_as_was_told() -> None:
    """A shorter version of tests/benchmarks/rejection.py: whole runs of sound meters, each range within the binomial error."""
    meters = 20
    counted, _, told, ratio = campaign(CLAIMS[1], meters)
    assert ratio == pytest.approx(2.1, rel=0.15)
    assert 0.15 < min(told.values()) < max(told.values()) < 0.8
    for name, count in counted.items():
        assert binomtest(count, meters, told[name]).pvalue > 1e-3, (name, count, told[name])


def test_the_curve_of_a_sound_meter_is_smooth() -> None:
    """A core's curve does not jump: over 1 % of the current it changes little beside what it changes over a third of a decade.

    Jumps put the turns of 4 of 40 sound meters (two ranges of 20) outside an interval that holds 95 %.
    """
    drawn = [str(n) for n in range(400)]
    here, near, far = (np.array([smooth_shape(name, x) for name in drawn]) for x in (0.5, 0.505, 1.1))
    assert np.std(here) == pytest.approx(SHAPE, rel=0.15)
    assert np.std(near - here) < 0.1 * SHAPE
    assert np.std(far - here) > SHAPE
