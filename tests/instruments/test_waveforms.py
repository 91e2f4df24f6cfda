"""Waveforms against the closed forms of handbooks: effective value, rectified mean, crest and form factor, Fourier coefficients.

The figures of a half-wave, of a full sine, of triangle, square wave and rectangular pulses are in any handbook of electrical
engineering (tables of effective and mean values, and of Fourier series); those of the phase-cut sine are in textbooks of power
electronics (rms of an AC controller with a resistive load). Values from memory, each integral elementary.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.waveform_names import ANGLES, DESCRIBED, SINE, Waveform, parse_waveform
from instruments.waveforms import (
    crest_factor_of,
    effective_value,
    fundamental_part,
    rectified_mean,
    spectrum,
    unit_samples,
)

EVERY = [parse_waveform(name) for name in DESCRIBED]


def of(text: str, effective: float) -> np.ndarray:
    """The named waveform with that effective value."""
    return unit_samples(parse_waveform(text)) * effective


@pytest.mark.parametrize("waveform", EVERY, ids=lambda w: w.name)
def test_every_waveform_has_an_effective_value_of_one_and_is_read_from_its_own_text(waveform: Waveform) -> None:
    samples = unit_samples(waveform)
    assert effective_value(samples) == pytest.approx(1.0, rel=1e-12)
    assert np.mean(samples) == pytest.approx(0.0, abs=1e-12) or not waveform.symmetrical
    assert parse_waveform(waveform.text) == waveform


@pytest.mark.parametrize(
    ("text", "effective", "mean"),
    [
        ("sine", 1 / math.sqrt(2), 2 / math.pi),
        ("half_wave", 1 / 2, 1 / math.pi),
        ("triangle", 1 / math.sqrt(3), 1 / 2),
        ("rectangular 180 deg", 1.0, 1.0),
        ("rectangular 60 deg", math.sqrt(1 / 3), 1 / 3),
        # A half-sine pulse of width w in each half-period: mean of its square 1/2, of it 2/pi, times w / pi.
        ("rectifier 60 deg", math.sqrt(1 / 6), 2 / math.pi / 3),
        ("rectifier 180 deg", 1 / math.sqrt(2), 2 / math.pi),
        ("burst 1/3", 1 / math.sqrt(6), 2 / math.pi / 3),
    ],
)
def test_effective_value_and_rectified_mean_of_a_peak_of_one(text: str, effective: float, mean: float) -> None:
    samples = of(text, effective)
    assert rectified_mean(samples) == pytest.approx(mean, rel=5e-5)
    assert effective_value(samples) / rectified_mean(samples) == pytest.approx(effective / mean, rel=5e-5)
    # The corner of a triangle stands a quarter of a degree beside the nearest sample.
    assert crest_factor_of(samples) == pytest.approx(1 / effective, rel=3e-3 if text == "triangle" else 5e-5)


@given(st.integers(1, 170))
def test_a_sine_cut_at_an_angle(degrees: int) -> None:
    """Effective value over that of the peak: sqrt((pi - a + sin(2a) / 2) / (2 pi)), mean (1 + cos a) / pi."""
    angle = math.radians(degrees)
    samples = unit_samples(Waveform("phase_cut", degrees))
    peak = 1.0 if degrees <= 90 else math.sin(angle)
    effective = math.sqrt((math.pi - angle + math.sin(2 * angle) / 2) / (2 * math.pi))
    # At a late angle the largest sample stands a quarter of a degree behind the step.
    assert crest_factor_of(samples) == pytest.approx(peak / effective, rel=1e-5 if degrees <= 90 else 0.03)
    form_factor = effective_value(samples) / rectified_mean(samples)
    assert form_factor == pytest.approx(effective * math.pi / (1 + math.cos(angle)), rel=2e-3)


def test_fourier_coefficients() -> None:
    """Square wave 4 / (pi k), triangle 8 / (pi k)^2, both odd k alone; half-wave 1/pi, 1/2 and 2 / (pi (k^2 - 1)) for even k."""
    peaks_of_one = {"rectangular 180 deg": 1.0, "triangle": 1 / math.sqrt(3), "half_wave": 1 / 2}
    square, triangle, half = (np.abs(spectrum(of(text, effective))) for text, effective in peaks_of_one.items())
    for k in (1, 3, 5, 7, 9):
        assert square[k] == pytest.approx(4 / (math.pi * k), rel=3e-4)
        assert triangle[k] == pytest.approx(8 / (math.pi * k) ** 2, rel=3e-4)
        assert square[k + 1] == pytest.approx(0.0, abs=1e-12)
        assert triangle[k + 1] == pytest.approx(0.0, abs=1e-12)
    assert half[0] == pytest.approx(1 / math.pi, rel=1e-5)
    assert half[1] == pytest.approx(1 / 2, rel=1e-5)
    for k in (2, 4, 6):
        assert half[k] == pytest.approx(2 / (math.pi * (k * k - 1)), rel=1e-3)
    assert half[3] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("waveform", EVERY, ids=lambda w: w.name)
def test_the_spectrum_holds_the_whole_effective_value(waveform: Waveform) -> None:
    """Parseval's theorem: the squares of the parts add up."""
    parts = np.abs(spectrum(unit_samples(waveform)))
    assert parts[0] ** 2 + np.sum(parts[1:-1] ** 2) / 2 + parts[-1] ** 2 / 4 == pytest.approx(1.0, rel=1e-9)


def test_the_dropper_carries_no_current_until_the_mains_has_turned_the_clamped_voltage_round() -> None:
    """Clamped at a quarter of the crest the mains must fall from its crest to half of it: a third of a half-period, then C dv/dt."""
    samples = unit_samples(parse_waveform("capacitor_dropper"))
    assert np.mean(samples == 0.0) == pytest.approx(1 / 3, abs=1e-3)
    # What follows is a sine cut at 60 degrees.
    assert samples == pytest.approx(unit_samples(Waveform("phase_cut", 60.0)))


def test_the_switched_supply_charges_what_the_load_takes() -> None:
    """The charge of a bridge's capacitor in a half-period is what its load takes: the mean of the bridge's current is that of the
    load's voltage over its resistance, integrated here on its own (exponential fall, then the sine)."""
    raw, wrc = unit_samples(parse_waveform("switched_supply")), 20.0
    angle = (np.arange(360) + 0.5) * math.pi / 360
    half = raw[:360]
    on = np.flatnonzero(half > 0)
    # Where it conducts, current over (w R C cos + sin) is one and the same constant.
    scale = half[on] / (wrc * np.cos(angle[on]) + np.sin(angle[on]))
    assert np.ptp(scale) < 1e-9 * scale[0]
    voltage = np.empty(360)
    voltage[on] = np.sin(angle[on])
    end = angle[on[-1]] + math.pi / 720
    after = np.mod(angle - end, math.pi)
    off = half == 0
    voltage[off] = math.sin(end) * np.exp(-after[off] / wrc)
    assert np.mean(half) / scale[0] == pytest.approx(np.mean(voltage), rel=2e-2)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "square",
        "sine 3",
        "phase_cut 90",
        "phase_cut 0 deg",
        "phase_cut -5 deg",
        "rectifier 181 deg",
        "burst 3/3",
        "burst 1/11",
        "burst x",
    ],
)
def test_what_names_no_waveform_is_refused_with_what_was_expected(text: str) -> None:
    with pytest.raises(ValueError, match=f"found waveform '{text}', expected"):
        parse_waveform(text)


@given(st.sampled_from(sorted(ANGLES)), st.integers(10, 170))
def test_an_angle_is_read_and_written(name: str, degrees: int) -> None:
    found = parse_waveform(f"{name} {degrees} deg")
    assert (found.name, found.angle, found.text) == (name, degrees, f"{name} {degrees} deg")
    assert parse_waveform("sine") == SINE


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("sine", 1.0),
        # Square wave and pulses of 120 degrees (any handbook of power electronics): 4 / pi and 2 sqrt(3) / pi are the crests of their fundamentals.
        ("rectangular 180 deg", 2 * math.sqrt(2) / math.pi),
        ("rectangular 120 deg", 3 / math.pi),
        # A sine cut at 90 degrees: b1 = 1/2, a1 = -1/pi of the crest, its effective value is 1/2.
        ("phase_cut 90 deg", math.sqrt(0.25 + 1 / math.pi**2) * math.sqrt(2)),
        ("half_wave", math.sqrt(1 / 2)),
        ("burst 1/2", math.sqrt(1 / 2)),
        ("triangle", 4 * math.sqrt(6) / math.pi**2),
    ],
)
def test_the_fundamental_is_the_part_that_fourier_gives(text: str, part: float) -> None:
    assert fundamental_part(parse_waveform(text)) == pytest.approx(part, rel=1e-4)
