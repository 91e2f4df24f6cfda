"""The arithmetic of the diagnosis against independent libraries and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats
from uncertainties import ufloat

from harness.causes import shipped_causes
from harness.evaluation.diagnosis import FurtherEvidence, PowerError
from harness.evaluation.diagnosis.density import density
from harness.evaluation.diagnosis.evidence import POWER, observations, settings, tangent
from harness.evaluation.diagnosis.extra_measurement import _information
from harness.evaluation.diagnosis.hypotheses import hypotheses
from harness.evaluation.diagnosis.predictions import build
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.input_quantities import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from tests.harness.evaluation.conftest import RUN_DATE, sweep


def test_the_density_is_scipys_multivariate_normal(device: Device, bench: Bench) -> None:
    """Determinant and inverse by the lemmas against scipy.stats on the whole covariance, every hypothesis; chi-squared likewise."""
    inputs = InputQuantities(bench, RUN_DATE)
    points = [point_values(device, inputs, p) for p in sweep(device, lambda r, i: i * (9 if r == "x10" else 1))]
    data = observations(device, points, FurtherEvidence())
    assert data is not None
    candidates, _ = hypotheses(device, shipped_causes())
    predictions = build(device, shipped_causes(), candidates).predict(data.settings)
    common = density(data, 5e-4)
    fits = common.of(predictions)
    for h in range(0, len(candidates), 7):
        columns, mean = predictions.columns[h], predictions.means[h]
        spread = common.common + columns @ columns.T
        expected = stats.multivariate_normal(mean, spread, allow_singular=True).logpdf(data.values)
        assert fits.log[h] == pytest.approx(expected, rel=1e-6, abs=1e-3), candidates[h].label
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
    candidates, _ = hypotheses(device, shipped_causes())
    model = build(device, shipped_causes(), candidates[:1])
    at = settings(device, [(POWER, "x1", 10.0, power_factor)])
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
    data = observations(device, points, FurtherEvidence([PowerError("x1", 1.0, 1.0, error + ufloat(0, 1e-3))]))
    assert data is not None
    assert data.covariance[0, -1] == pytest.approx(float(error.std_dev) ** 2)
