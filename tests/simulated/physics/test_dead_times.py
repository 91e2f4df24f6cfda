"""What the simulated transformer does to the mean of a pulsed current, and with it to a meter that responds to the mean.

A pulse carries the flux from one side to the other, and in the pause before the next the flux drives a small current through the burden, which the
primary does not have. To the first order in e = R / X (resistance of the secondary circuit over the magnetising reactance) the effective value stays
as it is, and the mean grows by e times the integral, over a half-period, of |q| in the pauses less q in the pulses, over that of the current; q is the
charge since the middle of the swing (elementary, from dy/dangle = R i2, i2 = i - y / X). For symmetrical half-sine pulses with pauses of the part d
that is e pi d / 2, for a phase cut of 90 degrees e (pi/2 - 1).
"""

from __future__ import annotations

import math

import pytest

from instruments.waveform_names import SINE, parse_waveform
from instruments.waveforms import effective_value, rectified_mean, unit_samples
from simulated.physics.core_in_time import secondary_in_time
from simulated.physics.input_stage import InputStage
from simulated.physics.transformer import TransformerModel, core_for_rating

RESISTANCE = 73.0
TRANSFORMER = TransformerModel(core_for_rating(0.032 * RESISTANCE, 0.032, 2500, 50.0), 2500, 50.0, 60.0, 10.0, 3.0)
MEAN = InputStage(50.0, response="average")


def influence(text: str, amperes: float) -> float:
    """Error with the waveform over that with a sine, less one, of an instrument that responds to the mean behind the transformer."""
    errors = []
    for waveform in (parse_waveform(text), SINE):
        ideal = unit_samples(waveform) * (amperes / 2500)
        errors.append(MEAN.reads(secondary_in_time(TRANSFORMER, ideal)) / effective_value(ideal))
    return errors[0] / errors[1] - 1


def small_part(text: str, amperes: float) -> float:
    """e with the core at the swing of this current."""
    swing = RESISTANCE * math.pi * rectified_mean(unit_samples(parse_waveform(text))) * (amperes / 2500) / 2
    return RESISTANCE * abs(TRANSFORMER.magnetising_admittance(swing / math.sqrt(2)).imag)


@pytest.mark.parametrize(
    ("text", "closed", "given_back"),
    [
        ("phase_cut 90 deg", 1 / math.sqrt(2), math.pi / 2 - 1),
        ("rectifier 60 deg", 1 / math.sqrt(3), math.pi / 2 * 2 / 3),
        ("rectifier 30 deg", 1 / math.sqrt(6), math.pi / 2 * 5 / 6),
    ],
)
@pytest.mark.parametrize("amperes", [1.0, 2.0, 4.0])
def test_the_mean_grows_by_what_the_flux_drives_in_the_pauses(
    text: str, closed: float, given_back: float, amperes: float
) -> None:
    """So -29.29 % of a phase cut of 90 degrees in closed form become -29.1 % behind this transformer, which has e = 0.37 % there."""
    grown = (1 + influence(text, amperes)) / closed - 1
    assert grown == pytest.approx(given_back * small_part(text, amperes), rel=0.05)


def test_without_a_transformer_the_closed_form_holds() -> None:
    """-29.289 % (elementary): neither the samples nor the input stage take anything from it."""
    assert MEAN.reads(unit_samples(parse_waveform("phase_cut 90 deg"))) - 1 == pytest.approx(
        1 / math.sqrt(2) - 1, abs=3e-6
    )
