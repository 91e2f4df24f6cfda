"""What an instrument reads of a current that is no sine, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.waveform_names import DESCRIBED, SINE, parse_waveform
from instruments.waveforms import effective_value, unit_samples
from simulated.physics.core_in_time import secondary_in_time
from simulated.physics.input_stage import InputStage
from simulated.physics.transformer import CoreModel, TransformerModel, core_for_rating

TRUE_RMS = InputStage(50.0)
AVERAGE = InputStage(50.0, response="average")


def phase_cut(degrees: float) -> np.ndarray:
    return unit_samples(parse_waveform(f"phase_cut {degrees:g} deg"))


@given(st.sampled_from([TRUE_RMS, AVERAGE, InputStage(50.0, bandwidth=150.0)]), st.floats(1e-6, 1e3))
def test_a_sine_that_is_not_clipped_reads_right(stage: InputStage, current: float) -> None:
    assert stage.reads(unit_samples(SINE) * current) == pytest.approx(current, rel=1e-9)


@pytest.mark.parametrize("name", sorted(DESCRIBED))
def test_true_rms_of_full_bandwidth_reads_every_waveform(name: str) -> None:
    assert TRUE_RMS.reads(3.0 * unit_samples(parse_waveform(name))) == pytest.approx(3.0, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "error"),
    [
        # The form factor of a sine is pi / (2 sqrt 2) = 1.1107; an average-responding reading is that times the rectified mean. Tables of
        # such errors stand in handbooks of multimeters: square wave +11 %, triangle -3.8 % (value from memory), elementary.
        ("rectangular 180 deg", math.pi / (2 * math.sqrt(2)) - 1),
        ("triangle", math.pi / (2 * math.sqrt(2)) * math.sqrt(3) / 2 - 1),
        ("half_wave", math.pi / (2 * math.sqrt(2)) * 2 / math.pi - 1),
        ("phase_cut 90 deg", math.pi / (2 * math.sqrt(2)) * 2 / math.pi - 1),
        ("rectifier 60 deg", math.pi / (2 * math.sqrt(2)) * 2 * math.sqrt(6) / (3 * math.pi) - 1),
    ],
)
def test_an_average_responding_instrument(text: str, error: float) -> None:
    assert AVERAGE.reads(unit_samples(parse_waveform(text))) - 1 == pytest.approx(error, abs=5e-5)


def test_the_closed_forms_in_figures() -> None:
    """Square wave +11.07 %, triangle -3.81 %, 90 degrees -29.29 %."""
    figures = [AVERAGE.reads(unit_samples(parse_waveform(t))) for t in ("rectangular 180 deg", "triangle", "phase_cut")]
    assert [round(100 * (f - 1), 2) for f in figures] == [11.07, -3.81, -29.29]


def test_a_transformer_gives_back_in_the_dead_times_what_it_took() -> None:
    """Behind a transformer an average-responding meter reads 90 degrees less low than -29.29 % below what it reads of a sine: the magnetising current flows on
    while the primary carries none, and adds to the mean of the magnitudes. An inductance without end has no such current."""

    def error(relative_permeability: float) -> float:
        core = core_for_rating(0.032 * 73, 0.032, 2500, 50.0)
        linear = CoreModel(
            core.area, core.path_length, relative_permeability, relative_permeability, saturation_flux_density=math.inf
        )
        transformer = TransformerModel(linear, 2500, 50.0, 60.0, 10.0, 3.0)
        cut, sine = (
            AVERAGE.reads(secondary_in_time(transformer, w * 0.01)) for w in (phase_cut(90), unit_samples(SINE))
        )
        return cut / sine - 1

    closed = 1 / math.sqrt(2) - 1
    assert error(1e10) == pytest.approx(closed, abs=1e-5)
    small, large = error(30_000.0) - closed, error(3_000.0) - closed
    assert 0 < small < large
    assert large == pytest.approx(10 * small, rel=0.2)


def test_a_sine_clipped_at_a_peak() -> None:
    """Clipped at sin(a) of its peak: mean square (2a - sin 2a) / (2 pi) + sin^2(a) (pi - 2a) / pi, times 2 over a whole sine's (elementary)."""
    angle = math.radians(40.0)
    stage = InputStage(50.0, largest_peak=math.sqrt(2) * math.sin(angle))
    square = (2 * angle - math.sin(2 * angle)) / (2 * math.pi) + math.sin(angle) ** 2 * (math.pi - 2 * angle) / math.pi
    assert stage.reads(unit_samples(SINE)) == pytest.approx(math.sqrt(2 * square), rel=1e-5)


@given(st.floats(1.0, 60.0))
def test_a_narrow_bandwidth_takes_from_every_harmonic_what_a_low_pass_takes(multiple: float) -> None:
    """A square wave's odd harmonics 4 / (pi k), each behind 1 / sqrt(1 + (k f / fc)^2), over what passes of the first (textbook of filters)."""
    stage = InputStage(50.0, bandwidth=50.0 * multiple)
    square = unit_samples(parse_waveform("rectangular 180 deg"))
    orders = range(1, 360, 2)
    parts = [8 / (math.pi * k) ** 2 / (1 + (k / multiple) ** 2) * (1 + 1 / multiple**2) for k in orders]
    assert stage.reads(square) == pytest.approx(math.sqrt(math.fsum(parts)), rel=2e-3)


@given(st.floats(0.2, 5.0), st.sampled_from(sorted(DESCRIBED)))
def test_clipping_never_adds(most: float, name: str) -> None:
    samples = unit_samples(parse_waveform(name))
    clipped, less = (replace(TRUE_RMS, largest_peak=p).reads(samples) for p in (most, most * 0.9))
    assert less <= clipped <= effective_value(samples) + 1e-12
