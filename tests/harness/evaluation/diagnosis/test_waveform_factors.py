"""What meter, transformer and reference make of a waveform, against closed forms and integrals of their own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from harness.evaluation.diagnosis.waveform_factors import (
    Unknown,
    biased,
    clipping,
    high_pass,
    low_pass,
    mean_response,
    passed,
    tabulated,
)
from harness.preparation.twin import describe
from instruments.waveform_names import DESCRIBED, SINE, parse_waveform
from instruments.waveforms import effective_value
from simulated.physics.assembly import transformer_with
from simulated.physics.shaped_secondary import ShapedSecondary
from tests.direct_physics import demo_inputs


def at(table: np.ndarray, value: float) -> float:
    return float(tabulated(table, Unknown(np.array([[value]]), np.zeros((1, 1)))).factor[0, 0])


@pytest.mark.parametrize(
    ("name", "error"),
    [
        ("sine", 0.0),
        # pi / (2 sqrt 2) = 1.1107 times the mean of a square wave, which is its effective value.
        ("rectangular 180 deg", math.pi / (2 * math.sqrt(2)) - 1),
        # A triangle: mean 1/2 and effective value 1 / sqrt 3 of its peak.
        ("triangle", math.pi / (2 * math.sqrt(2)) * math.sqrt(3) / 2 - 1),
        # A sine cut at 90 degrees: mean 1 / pi, effective value 1/2 of the peak of the sine.
        ("phase_cut 90 deg", 1 / math.sqrt(2) - 1),
        # Half-sine pulses of 60 degrees in 180: mean 2 / (3 pi), effective value 1 / sqrt 6.
        ("rectifier 60 deg", math.pi / (2 * math.sqrt(2)) * (2 / (3 * math.pi)) * math.sqrt(6) - 1),
    ],
)
def test_a_meter_that_responds_to_the_mean_errs_by_the_form_factor(name: str, error: float) -> None:
    """Form factors as in textbooks of measurement; the mean is displayed as the effective value of the sine that has it."""
    assert mean_response(parse_waveform(name)) == pytest.approx(error, abs=2e-5)


def test_no_transformer_passes_the_direct_part_of_a_half_wave() -> None:
    """Effective value 1/2 and mean 1 / pi of the peak: sqrt(1 - 4 / pi^2) is left. With its direct part its mean is off by 1 / sqrt 2."""
    half = parse_waveform("half_wave")
    assert passed(half) == pytest.approx(math.sqrt(1 - 4 / math.pi**2), abs=1e-5)
    assert mean_response(half, direct=True) == pytest.approx(1 / math.sqrt(2) - 1, abs=1e-5)
    assert passed(parse_waveform("rectifier 30 deg")) == pytest.approx(1.0)


@pytest.mark.parametrize("bandwidth", [1.2, 3.0, 10.0])
def test_a_low_pass_takes_from_a_square_wave_what_its_series_says(bandwidth: float) -> None:
    """Powers of the harmonics of a square wave: 8 / (pi k)^2 for odd k (textbook)."""
    orders = np.arange(1, 4001, 2)
    powers = 8 / (math.pi * orders) ** 2
    left = math.sqrt(float(np.sum(powers / (1 + (orders / bandwidth) ** 2))) * (1 + bandwidth**-2))
    assert at(low_pass(parse_waveform("rectangular 180 deg")), 1 / bandwidth) == pytest.approx(left, rel=1e-3)


@pytest.mark.parametrize("level", [0.3, 0.7, 1.0, 1.3])
def test_a_sine_that_is_clipped(level: float) -> None:
    """By numerical integration; `level` over the effective value."""
    square, _ = quad(lambda x: min(math.sqrt(2) * math.sin(x), level) ** 2, 0, math.pi)
    assert at(clipping(SINE), 1 / level) == pytest.approx(math.sqrt(square / math.pi), rel=1e-4)


@pytest.mark.parametrize("name", sorted(DESCRIBED))
def test_nothing_acts_where_the_unknown_is_zero_and_a_sine_is_never_touched_but_by_clipping(name: str) -> None:
    waveform = parse_waveform(name)
    for table in (low_pass, high_pass, clipping):
        assert at(table(waveform), 0.0) == pytest.approx(1.0, abs=1e-6)
    assert at(low_pass(SINE), 0.7) == pytest.approx(1.0)
    assert at(high_pass(SINE), 0.7) == pytest.approx(1.0)
    assert at(biased(SINE), 0.75) == pytest.approx(0.8)


@pytest.mark.parametrize("name", ["rectifier 30 deg", "phase_cut 90 deg", "burst 1/3"])
def test_a_core_with_a_gap_passes_what_stepping_through_time_says(name: str) -> None:
    """The equivalent circuit as a high pass, against the simulated core stepped through a period: x is the susceptance times the loop's resistance."""
    inputs = demo_inputs()
    meter = describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, ()).meter
    transformer, ampere_turns, waveform = transformer_with({"core-gap"}, meter), 8.0, parse_waveform(name)
    sine = abs(transformer.secondary_current(ampere_turns))
    shaped = effective_value(ShapedSecondary(transformer).current(waveform, ampere_turns, 0.0))
    resistance = transformer.secondary_impedance.real
    x = -transformer.magnetising_admittance(sine * resistance).imag * resistance
    assert at(high_pass(waveform), x) - 1 == pytest.approx(shaped / sine - 1, rel=0.1)


def test_an_unknown_even_in_a_span_is_drawn_as_a_parabola() -> None:
    """Mean and variance of x^2 for x even from 1 to 2: 7/3 and 31/5 - 49/9, elementary."""
    table = np.square(np.interp(np.arange(1601), np.arange(1601), 16.0 * np.linspace(0, 1, 1601) ** 2))
    found = tabulated(table, Unknown(np.array([[1.5]]), np.array([[1 / math.sqrt(12)]])))
    mean, straight, curved = (float(part[0, 0]) for part in (found.factor, found.column, found.curvature))
    assert mean == pytest.approx(7 / 3, rel=1e-4)
    assert mean**2 * (straight**2 + curved**2) == pytest.approx(31 / 5 - 49 / 9, rel=1e-3)
