"""The arithmetic of the diagnosis against independent libraries and closed forms."""

from __future__ import annotations

import math
import tracemalloc
from collections import defaultdict

import numpy as np
import pytest
from scipy import integrate, stats
from uncertainties import ufloat

from harness.core.arrays import Array
from harness.evaluation.diagnosis.causes import shipped_causes
from harness.evaluation.diagnosis.density import SAME, broad, density
from harness.evaluation.diagnosis.diagnosis import diagnose
from harness.evaluation.diagnosis.evidence import (
    POWER,
    FurtherEvidence,
    Observations,
    Setting,
    observations,
    settings,
    tangent,
)
from harness.evaluation.diagnosis.extra_measurement import _information
from harness.evaluation.diagnosis.hypotheses import hypotheses, sound_meter
from harness.evaluation.diagnosis.predictions import build
from harness.evaluation.diagnosis.weighing import SHOWN, weigh
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from tests.benchmarks.many_points import device_of_ten_ranges, points_of_ten_ranges
from tests.direct_physics import DirectBench, demo_inputs
from tests.harness.evaluation.conftest import RUN_DATE, as_matrix, sweep


def test_the_density_is_scipys_multivariate_normal(device: Device, bench: Bench) -> None:
    """Determinant and inverse by the lemmas against scipy.stats on the whole covariance, every hypothesis; chi-squared likewise."""
    inputs = InputQuantities(bench, RUN_DATE)
    points = [point_values(device, inputs, p) for p in sweep(device, lambda r, i: i * (9 if r == "x10" else 1))]
    data = observations(device, points, FurtherEvidence())
    assert data is not None
    found = hypotheses(device, shipped_causes())
    predictions = build(device, shipped_causes(), found).predict(data.settings)
    common = density(data, 5e-4)
    fits, shared = common.of(predictions), as_matrix(common.common)
    for h in range(0, len(found.priors), 7):
        columns, mean = predictions.columns[h], predictions.means[h]
        spread = shared + columns @ columns.T
        expected = stats.multivariate_normal(mean, spread, allow_singular=True).logpdf(data.values)
        assert fits.log[h] == pytest.approx(expected, rel=1e-6, abs=1e-3), found.candidate(h).label
        residual = data.values - mean
        assert fits.chi_squared[h] == pytest.approx(residual @ np.linalg.solve(spread, residual), rel=1e-4, abs=1e-3)


@pytest.mark.parametrize("apart", [0.0, 0.5, 1.0, 2.0, 4.0, 40.0])
def test_mutual_information_is_the_integral(apart: float) -> None:
    """Two equally likely normals of unit deviation: entropy of the mixture by scipy's quadrature, less that of one; ln 2 far apart."""
    found = _information(np.array([0.5, 0.5]), np.array([0.0, apart]), np.array([1.0, 1.0]))

    def entropy(x: float) -> float:
        p = 0.5 * (stats.norm.pdf(x) + stats.norm.pdf(x - apart))
        return -p * math.log(p) if p > 0 else 0.0

    mixture, _ = integrate.quad(entropy, -10, apart + 10, limit=400, points=[0.0, apart])
    assert found == pytest.approx(mixture - 0.5 * math.log(2 * math.pi * math.e), abs=2e-3)
    assert found <= math.log(2) + 1e-9


@pytest.mark.parametrize("power_factor", [1.0, 0.5, -0.5, 0.2])
def test_power_is_wrong_by_the_tangent(device: Device, power_factor: float) -> None:
    """Active power with a phase displacement d at angle phi is U I cos(phi - d): its relative error by plain trigonometry.

    The sign of d is that of IEC 61869-2 (positive when the secondary leads; value from memory), of phi positive when the current lags.
    """
    model = build(device, shipped_causes(), sound_meter(device))
    at = settings(device, [Setting(POWER, "x1", 10.0, power_factor)])
    mean = float(model.predict(at).means[0, 0])
    ordinary = shipped_causes().ordinary
    displacement = ordinary.phase.mean  # at a tenth of the rated ampere-turns a slope changes nothing
    angle = math.copysign(math.acos(abs(power_factor)), power_factor)
    assert mean == pytest.approx(math.cos(angle - displacement) / math.cos(angle) - 1, abs=2e-5)
    assert tangent(power_factor) == pytest.approx(math.tan(angle))


def test_a_power_shares_inputs_with_the_points(device: Device, bench: Bench) -> None:
    """An input of the reference that both share makes them move together (JCGM 100:2008, F.1.2.3)."""
    inputs = InputQuantities(bench, RUN_DATE)
    points = [point_values(device, inputs, p) for p in sweep(device, lambda r, i: i * (10 if r == "x10" else 1))]
    error = points[0].ratio_error
    assert error is not None
    data = observations(device, points, FurtherEvidence([(Setting(POWER, "x1", 1.0), error + ufloat(0, 1e-3))]))
    assert data is not None
    assert as_matrix(data.covariance)[0, -1] == pytest.approx(float(error.std_dev) ** 2)


def _plainly(device: Device, data: Observations) -> tuple[dict[tuple[object, ...], float], list[int]]:
    """Priors times densities by cause, and the causes that do not show: every hypothesis at once, no lemma, nothing left out."""
    found, causes = hypotheses(device, shipped_causes()), shipped_causes()
    predicted = build(device, causes, found).predict(data.settings)
    common = as_matrix(density(data, causes.unmodelled.shape).common)
    spread = common + predicted.columns @ np.swapaxes(predicted.columns, 1, 2)
    left = data.values - predicted.means
    chi_squared = np.einsum("hn,hn->h", left, np.linalg.solve(spread, left[..., None])[..., 0])
    logs = np.log(found.priors) - (chi_squared + np.linalg.slogdet(2 * math.pi * spread)[1]) / 2
    whole = np.concatenate([predicted.means[:, :, None], predicted.columns], axis=2)
    whole /= np.sqrt(np.diag(common))[:, None]
    shown = np.ones(len(logs), dtype=bool)
    for h, (one, other) in enumerate(zip(found.first, found.second, strict=True)):
        alone = [0] if h < len(found.singles) else [one, other]
        shown[h] = h == 0 or all(shown[a] and np.abs(whole[h] - whole[a]).max() >= SAME for a in alone)
    weights: dict[tuple[object, ...], float] = defaultdict(float)
    for h in np.flatnonzero(shown).tolist():
        weights[found.candidate(h).faults] += math.exp(logs[h] - logs[shown].max())
    return weights, np.flatnonzero(~shown[: len(found.singles)]).tolist()


@pytest.mark.parametrize("everything", [False, True])
@pytest.mark.parametrize(
    ("faults", "seed"),
    [
        ((), 1_000_001),
        (("turn-missing:x4",), 1_000_002),
        (("closed-turn", "drifted-gain"), 1_000_003),
        (("section-reversed:x4", "display-offset"), 1_000_004),
        (("switch-left-in-another-position:x20",), 1_000_005),
        (("secondary-open",), 1_000_006),
    ],
)
def test_blocks_weigh_as_all_hypotheses_at_once_do(faults: tuple[str, ...], seed: int, everything: bool) -> None:
    """The same causes in the same order, with the same odds, as by the plain formulas over every one of them."""
    inputs = demo_inputs()
    bench = DirectBench(inputs, faults, seed)
    points = bench.points()
    beside = FurtherEvidence(bench.powers(), bench.smallest()) if everything else FurtherEvidence()
    data = observations(inputs.device, points, beside)
    assert data is not None
    weighing = weigh(inputs.device, shipped_causes(), data)
    plain, unseen = _plainly(inputs.device, data)
    assert list(weighing.unseen) == unseen
    top = weighing.causes[0]
    total = top.probability / plain[top.candidate.faults]
    assert max(plain, key=lambda faults: plain[faults]) == top.candidate.faults
    told = {w.candidate.faults: w.probability for w in weighing.causes}
    assert {faults for faults, weight in plain.items() if weight * total >= SHOWN} <= set(told)
    for cause, probability in told.items():
        assert probability == pytest.approx(plain[cause] * total, rel=1e-5, abs=1e-12)


def test_none_of_these_has_its_weight_spread_evenly() -> None:
    """Bayes' theorem by scipy's densities: odds of none of these to a sound meter, the weight of the one shared by all alternatives alike."""
    inputs, causes = demo_inputs(), shipped_causes()
    data = observations(inputs.device, DirectBench(inputs, (), 1_000_001).points(), FurtherEvidence())
    assert data is not None
    weighing = weigh(inputs.device, causes, data)
    assert weighing.fit > causes.limits.fit
    common = as_matrix(density(data, causes.unmodelled.shape).common)

    def log_density(means: Array, columns: Array, own: Array) -> float:
        spread = common + columns @ columns.T + np.diag(own)
        return float(stats.multivariate_normal(means, spread, allow_singular=True).logpdf(data.values))

    predicted = build(inputs.device, causes, sound_meter(inputs.device)).predict(data.settings)
    nothing = np.zeros_like(data.values)
    sound = log_density(predicted.means[0], predicted.columns[0], nothing)
    alternatives = broad(data, len(inputs.device.ranges))
    others = [math.exp(log_density(nothing, a.columns, a.own) - sound) for a in alternatives]
    odds = causes.weights.none_of_these * float(np.mean(others)) / causes.weights.healthy
    assert weighing.other / weighing.sound == pytest.approx(odds, rel=1e-4)


def test_ten_ranges_are_weighed_in_little_memory() -> None:
    """22,438 hypotheses about ten ranges, a turn missing in the last section: found, with no more than 100 MB at a time."""
    many = device_of_ten_ranges()
    points = points_of_ten_ranges(many)
    tracemalloc.start()
    try:
        found = diagnose(many, points)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert found.causes[0].label == "turn-missing on x50"
    assert most < 100e6
