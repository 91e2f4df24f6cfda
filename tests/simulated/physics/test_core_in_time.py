"""The core with a current of any waveform, against the phasors of a sine, circuit theory, and what every transformer does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.waveform_names import SINE, parse_waveform
from instruments.waveforms import SAMPLES_PER_PERIOD, effective_value, spectrum, unit_samples
from simulated.physics.core_in_time import secondary_in_time
from simulated.physics.transformer import CoreModel, TransformerModel, core_for_rating

DEMO = TransformerModel(core_for_rating(0.032 * 73, 0.032, 2500, 50.0), 2500, 50.0, 60.0, 10.0, 3.0)
MU_0 = 1.25663706212e-6
"""CODATA 2018, H/m."""


def without_loss(relative_permeability: float) -> TransformerModel:
    """`DEMO` with a linear core without loss: an inductance beside a resistance."""
    core = CoreModel(
        DEMO.core.area,
        DEMO.core.path_length,
        initial_permeability=relative_permeability,
        maximum_permeability=relative_permeability,
        saturation_flux_density=math.inf,
        loss_angle=0.0,
    )
    return replace(DEMO, core=core)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(math.log(1e-3), math.log(120.0)),
    st.sampled_from([{}, {"air_gap": 3e-4}, {"closed_turn_resistance": 3e-4}, {"burden": 40.0}, {"frequency": 60.0}]),
    st.floats(0.0, 5.0),
)
def test_a_sine_is_what_the_phasors_say(log_ampere_turns: float, changed: dict[str, float], further: float) -> None:
    """Two methods for one circuit: steps in time here, a complex impedance there."""
    transformer, ampere_turns = replace(DEMO, **changed), math.exp(log_ampere_turns)  # type: ignore[arg-type]
    ideal = unit_samples(SINE) * (ampere_turns / transformer.secondary_turns)
    found = secondary_in_time(transformer, ideal, further)
    expected = transformer.secondary_current(ampere_turns, further)
    assert effective_value(found) == pytest.approx(abs(expected), rel=1e-9)
    turned = np.angle(spectrum(found)[1]) - np.angle(spectrum(ideal)[1])
    assert turned == pytest.approx(np.angle(expected), abs=1e-9)


def test_a_sine_that_saturates_a_little_loses_what_the_phasors_say() -> None:
    """The fundamental of the seventh power of a sine is 35/64 of it: the means over a period agree as long as the flux stays a sine."""
    saturating = replace(DEMO, core=replace(DEMO.core, saturation_flux_density=0.055))
    ideal = unit_samples(SINE) * (40.0 / DEMO.secondary_turns)
    error = abs(saturating.secondary_current(40.0)) / effective_value(ideal) - 1
    found = effective_value(secondary_in_time(saturating, ideal)) / effective_value(ideal) - 1
    assert error < 1.4 * (abs(DEMO.secondary_current(40.0)) / effective_value(ideal) - 1) < 0
    assert found == pytest.approx(error, rel=1e-3)


def test_between_pulses_the_secondary_current_falls_exponentially() -> None:
    """With no primary current the magnetising current of L flows on through R alone: time constant L / R (textbook)."""
    transformer = without_loss(3000.0)
    pulses = secondary_in_time(transformer, unit_samples(parse_waveform("rectangular 60 deg")) * 0.01)
    dead = pulses[SAMPLES_PER_PERIOD // 3 + 2 : SAMPLES_PER_PERIOD // 2 + SAMPLES_PER_PERIOD // 6 - 2]
    inductance = MU_0 * 3000.0 * 2500**2 * DEMO.core.area / DEMO.core.path_length
    step = 1 / (50.0 * SAMPLES_PER_PERIOD)
    fall = -np.diff(np.log(np.abs(dead))) / step
    assert fall == pytest.approx(np.full(len(fall), 73.0 / inductance), rel=1e-4)


def test_the_droop_of_a_pulse_meets_the_closed_form_of_a_periodic_pulse() -> None:
    """Magnetising current m of alternating rectangular pulses I of length w in half-periods T/2, a = R/L: within a pulse m goes towards I, else towards 0, and
    m(T/2) = -m(0); so m(0) = -I (1 - exp(-a w)) exp(-a (T/2 - w)) / (1 + exp(-a T/2)) (elementary)."""
    transformer = without_loss(3000.0)
    ideal = unit_samples(parse_waveform("rectangular 60 deg")) * 0.01
    inductance = MU_0 * 3000.0 * 2500**2 * DEMO.core.area / DEMO.core.path_length
    rate, half, width = 73.0 / inductance, 0.01, 0.01 / 3
    height = float(np.max(ideal))
    begins = -height * (1 - math.exp(-rate * width)) * math.exp(-rate * (half - width)) / (1 + math.exp(-rate * half))
    # Through the pulse, at the middles of its steps.
    at = (np.arange(SAMPLES_PER_PERIOD // 6) + 0.5) / (50.0 * SAMPLES_PER_PERIOD)
    expected = height - (height + (begins - height) * np.exp(-rate * at))
    found = secondary_in_time(transformer, ideal)[SAMPLES_PER_PERIOD // 6 : SAMPLES_PER_PERIOD // 3]
    assert found == pytest.approx(expected, rel=1e-5)
    assert found[0] > 1.005 * found[-1]


@pytest.mark.parametrize("ampere_turns", [0.1, 5.0, 40.0, 80.0])
@pytest.mark.parametrize("text", ["half_wave", "burst 1/3", "switched_supply"])
def test_no_direct_current_comes_through(text: str, ampere_turns: float) -> None:
    """No transformer passes a steady current: the flux would grow without end."""
    ideal = unit_samples(parse_waveform(text)) * (ampere_turns / 2500)
    found = secondary_in_time(DEMO, ideal)
    assert abs(np.mean(found)) < 1e-9 * effective_value(found)


def test_a_half_wave_loses_its_direct_part_and_more_once_the_core_saturates() -> None:
    """Without its direct part 1/pi of the peak, the effective value of half a sine is sqrt(1/4 - 1/pi^2) of it and not 1/2: 22.9 % less."""

    def error(transformer: TransformerModel, ampere_turns: float) -> float:
        ideal = unit_samples(parse_waveform("half_wave")) * (ampere_turns / 2500)
        return effective_value(secondary_in_time(transformer, ideal)) / effective_value(ideal) - 1

    closed = math.sqrt(1 / 4 - 1 / math.pi**2) * 2 - 1
    assert closed == pytest.approx(-0.2288, abs=1e-4)
    assert error(without_loss(1e9), 1.0) == pytest.approx(closed, rel=1e-4)
    assert error(DEMO, 1.0) == pytest.approx(closed, abs=0.01)
    saturating = replace(DEMO, core=replace(DEMO.core, saturation_flux_density=0.1))
    assert error(saturating, 80.0) < closed - 0.1


def test_a_reversed_primary_reverses_everything() -> None:
    for text in ("half_wave", "phase_cut 120 deg"):
        ideal = unit_samples(parse_waveform(text)) * 0.01
        assert secondary_in_time(DEMO, -ideal) == pytest.approx(-secondary_in_time(DEMO, ideal), rel=1e-9, abs=1e-12)


def test_an_open_secondary_carries_nothing_whatever_the_waveform() -> None:
    open_ended = replace(DEMO, fuse_resistance=1e9)
    for text in ("sine", "phase_cut 90 deg", "half_wave"):
        ideal = unit_samples(parse_waveform(text)) * 0.01
        assert effective_value(secondary_in_time(open_ended, ideal)) < 1e-3 * effective_value(ideal)


def test_no_current_gives_none_and_a_leakage_reactance_is_refused() -> None:
    assert not np.any(secondary_in_time(DEMO, np.zeros(SAMPLES_PER_PERIOD)))
    with pytest.raises(ValueError, match="leakage reactance"):
        secondary_in_time(replace(DEMO, leakage_reactance=1.0), unit_samples(SINE))
