"""Readings that follow one another, against certified values, all orders there are, and simulated series."""

import itertools
import json
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import scipy.signal

from harness.evaluation.range_evaluation import EvaluationOptions, evaluate_ranges
from harness.evaluation.uncertainty.autocorrelation import (
    EXACT_UP_TO,
    effective_number,
    expected_lag_one,
    following,
    freedom_of_scatter,
    lag_one,
    more_than_rounding,
    variance_over_orders,
)
from harness.evaluation.uncertainty.gum_formulas import type_a
from harness.evaluation.uncertainty.repeatability import run_scatter, standard_uncertainty
from harness.files.bench import Bench
from harness.files.device import Device
from tests.harness.evaluation.conftest import RUN_DATE, observed

STRD = Path(__file__).parents[3] / "reference" / "strd_univariate.json"


def _strd(name: str) -> tuple[list[float], float]:
    entry = json.loads(STRD.read_text(encoding="utf-8"))[name]
    base = {"NumAcc2": 1, "NumAcc3": 1_000_000, "NumAcc4": 10_000_000}.get(name)
    if base is None:
        return [float(v) for v in entry["values"]], float(entry["certified_r1"])
    return [float(f"{base}.2")] + [float(f"{base}.1"), float(f"{base}.3")] * 500, float(entry["certified_r1"])


@pytest.mark.parametrize(
    ("name", "digits"),
    [("NumAcc1", 15), ("NumAcc2", 13), ("NumAcc3", 9), ("NumAcc4", 7), ("Michelso", 13), ("Lottery", 13)],
)
def test_certified_autocorrelation(name: str, digits: int) -> None:
    """NIST StRD, univariate: the certified lag-1 autocorrelation coefficient, to what double precision leaves of the values."""
    values, certified = _strd(name)
    assert lag_one(values) == pytest.approx(certified, rel=10.0**-digits)


def _about_mean(values: Sequence[float]) -> list[float]:
    mean = math.fsum(values) / len(values)
    return [v - mean for v in values]


def test_michelson_s_readings_are_worth_fewer() -> None:
    """NIST StRD Michelso, r(1) = 0.535: a hundred readings, but s / sqrt(n) is 7.9e-3 and too small.

    Means of ten runs of ten in the order taken scatter by themselves; they do not know of any model. The lottery (r(1) = -0.12
    in 218 draws) must not be found to follow.
    """
    values, _ = _strd("Michelso")
    correlation = following([_about_mean(values)])
    found = type_a(values)
    corrected = standard_uncertainty(found.standard_deviation, 100, correlation)
    runs = type_a([float(np.mean(values[i : i + 10])) for i in range(0, 100, 10)])
    assert 1.5 < corrected / found.standard_uncertainty < 2.2
    assert corrected == pytest.approx(runs.standard_uncertainty, rel=0.4)
    assert runs.standard_uncertainty > 1.3 * found.standard_uncertainty
    assert following([_about_mean(_strd("Lottery")[0])]) == 0


@pytest.mark.parametrize(
    "values",
    [
        (1.0, 1.0, -1.0, -1.0),
        (0.26, 0.26, 0.24, -0.76),
        (-2.0, 1.0, 1.0),
        (3.0, -1.0, 0.5, 0.25, -2.75),
        (9.0, 0.0, 1.0, 2.0, -4.0, 1.5, 2.5),
    ],
)
def test_variance_over_all_orders(values: Sequence[float]) -> None:
    """r(1) of every order there is (itertools, numpy): their mean is -1/n and their variance as computed."""
    left = _about_mean(values)
    orders = np.array(list(itertools.permutations(left)))
    found = (orders[:, 1:] * orders[:, :-1]).sum(axis=1) / (orders**2).sum(axis=1)
    assert found.mean() == pytest.approx(-1 / len(values), abs=1e-12)
    assert variance_over_orders(left) == pytest.approx(found.var(), abs=1e-12)


def test_variance_of_normal_readings_on_the_average() -> None:
    """Moran 1948, Biometrika 35, 255 (value from memory): (n-2)^2 / (n^2 (n-1)) for r(1) of n independent normal readings."""
    draw = np.random.default_rng(48)
    found = np.mean([variance_over_orders(_about_mean(draw.standard_normal(4).tolist())) for _ in range(5000)])
    assert found == pytest.approx(4 / (16 * 3), rel=0.02)


@pytest.mark.parametrize("points", [13, 39])
def test_independent_readings_are_found_to_follow_in_one_run_of_a_hundred(points: int) -> None:
    """Four independent normal readings a point (numpy, seeded): 1 % of the runs pass the test by chance."""
    draw = np.random.default_rng(1948)
    found = [following([_about_mean(draw.standard_normal(4).tolist()) for _ in range(points)]) > 0 for _ in range(3000)]
    assert 0.003 < np.mean(found) < 0.017


def _series(draw: np.random.Generator, count: int, correlation: float) -> list[float]:
    """Residuals of readings of variance 1, each following the one before (autoregressive, numpy)."""
    noise = draw.standard_normal(count)
    values = [float(noise[0])]
    for new in noise[1:]:
        values.append(correlation * values[-1] + math.sqrt(1 - correlation**2) * float(new))
    return _about_mean(values)


def test_following_readings_are_found_and_how_closely() -> None:
    """Thirteen points of twelve pairs each, correlation 0.6, are nearly always found out, and the estimate is right on the average."""
    draw = np.random.default_rng(12)
    found = [following([_series(draw, 12, 0.6) for _ in range(13)]) for _ in range(100)]
    noticed = [correlation for correlation in found if correlation > 0]
    assert len(noticed) >= 95
    assert np.mean(noticed) == pytest.approx(0.6, abs=0.05)
    assert effective_number(12, 0.6) < 6


@pytest.mark.parametrize("correlation", [0.1, 0.6, 0.9])
@pytest.mark.parametrize("count", [EXACT_UP_TO, EXACT_UP_TO + 1, 600])
def test_many_readings_are_worth_what_their_whole_covariance_says(count: int, correlation: float) -> None:
    """tr(C)^2 / tr(C^2) and the variance of the mean of numpy's matrices, every element written out."""
    orders, centring = np.arange(count), np.eye(count) - 1 / count
    whole = correlation ** np.abs(np.subtract.outer(orders, orders))
    centred = centring @ whole @ centring
    expected = np.trace(centred) ** 2 / np.trace(centred @ centred)
    assert freedom_of_scatter(count, correlation) == pytest.approx(expected, rel=1e-9)
    assert 1 / effective_number(count, correlation) == pytest.approx(whole.mean(), rel=1e-9)


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("count", [EXACT_UP_TO, EXACT_UP_TO + 1, 400])
def test_expected_coefficient_of_many_readings_is_the_mean_of_simulated_ones(count: int, correlation: float) -> None:
    """8000 series (scipy's filter, seeded), on both sides of the count at which the series in 1/n takes over."""
    draw = np.random.default_rng(1954)
    noise = math.sqrt(1 - correlation**2) * draw.standard_normal((8000, count))
    noise[:, 0] /= math.sqrt(1 - correlation**2)
    left = scipy.signal.lfilter([1.0], [1.0, -correlation], noise, axis=1)
    left -= left.mean(axis=1, keepdims=True)
    found = (left[:, 1:] * left[:, :-1]).sum(axis=1) / (left**2).sum(axis=1)
    spread = float(found.std()) / math.sqrt(8000)
    assert expected_lag_one(count, correlation) == pytest.approx(found.mean(), abs=3 * spread + 0.0013)


@pytest.mark.parametrize("count", [600, 100_000])
def test_very_many_readings_at_a_point(count: int) -> None:
    """What a logger wrote: found within four standard deviations of r(1), sqrt((1 - r^2) / n) (Bartlett 1946; value from memory)."""
    left = _series(np.random.default_rng(100), count, 0.7)
    assert following([left]) == pytest.approx(0.7, abs=4 * math.sqrt((1 - 0.7**2) / count))


def test_four_pairs_a_point_are_enough_for_a_run_of_three_ranges() -> None:
    """39 points of 4 pairs, correlation 0.8: found in six runs of seven; among 13 points in two of five."""
    draw = np.random.default_rng(39)
    found = [[_series(draw, 4, 0.8) for _ in range(39)] for _ in range(200)]
    assert np.mean([following(run) > 0 for run in found]) > 0.8
    assert 0.25 < np.mean([following(run[:13]) > 0 for run in found]) < 0.5


CURRENTS = (1.5, 3.0, 6.0, 12.0, 25.0, 50.0, 90.0)


def test_what_a_display_rounds_follows_but_says_nothing(device: Device, bench: Bench) -> None:
    """A display without noise over a load that falls slowly by a step: JCGM 100:2008, F.2.2.1 has this for its resolution alone.

    The residuals are those of the load and of one change of the display, and run on in every point.
    """
    currents = [[c + 0.0004 - 0.0002 * i for i in range(5)] for c in CURRENTS]
    points = [
        observed("x1", c[0], [round(x, 3) for x in c], references=[x / 20 for x in c], nominal=c[0]) for c in currents
    ]
    left = [_about_mean([round(x, 3) - x for x in c]) for c in currents]
    assert following(left) > 0.3
    assert run_scatter(device, bench, points)["x1"].correlation == 0
    assert not more_than_rounding([0.0005, -0.0005], 0.001)
    assert more_than_rounding([0.0006, -0.0006], 0.001)


@pytest.mark.parametrize("range_names", [("x1",), ("x1", "x10")])
def test_a_healthy_display_and_a_wandering_load_are_left_alone(
    device: Device, bench: Bench, range_names: Sequence[str]
) -> None:
    """Noise of a fifth of a step and of 1e-4 of the reading, a load that drifts by 5e-5 a reading (numpy, seeded): 1 % of the runs at most."""
    draw = np.random.default_rng(207)
    alarms = 0
    for _ in range(300):
        points = []
        for name, current, direction in itertools.product(range_names, (0.8, 1.5, 3.0, 6.0), ("up", "down")):
            factor = 1.0 if name == "x1" else 0.1
            real = current * (1 + draw.uniform(-1e-3, 1e-3) + draw.uniform(-5e-5, 5e-5) * np.arange(4))
            noisy = real * (1 + 1e-4 * draw.standard_normal(4)) / factor + 2e-4 * draw.standard_normal(4)
            shown = [round(float(x), 3) for x in noisy]
            points.append(observed(name, current, shown, references=(real / 20).tolist(), direction=direction))
        alarms += run_scatter(device, bench, points)["x1"].correlation > 0
    assert alarms / 300 < 0.03


def test_trials_bear_out_what_following_readings_give(device: Device, bench: Bench) -> None:
    """JCGM 101:2008, clause 8: four readings of correlation 0.85 have 2.1 degrees of freedom, drawn and stated alike.

    With degrees of freedom truncated to two, most of the intervals would differ.
    """
    draw = np.random.default_rng(85)
    points = [
        observed(name, c, [(c + 0.004 * c * d) / factor for d in _series(draw, 4, 0.85)], direction=direction)
        for name, factor in (("x1", 1.0), ("x10", 0.1))
        for c in (1.5, 3.0, 6.0, 8.0, 9.0)
        for direction in ("up", "down")
    ]
    scatter = run_scatter(device, bench, points)
    assert scatter["x1"].correlation == scatter["x10"].correlation > 0.5
    found = evaluate_ranges(device, bench, points, [], RUN_DATE, EvaluationOptions(trials=200_000)).validation
    assert found is not None
    assert len(found.quantities) == len(points) + 3
    # The trials' own uncertainty of an end comes from ten blocks: beyond twice of it by chance at one end in fifteen or so.
    assert sum(q.outcome == "differs" for q in found.quantities) < len(found.quantities) / 3
