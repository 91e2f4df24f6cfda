"""Crest factor and in-rush on paper, by elementary physics: peaks, Joule integrals and volt-seconds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.commands.new import template
from harness.design.check import check
from harness.design.check_result import Peaks
from harness.files.device import Device
from harness.files.loading import parse_device


def device(**stated: str) -> Device:
    """The demo device with keys added: those of a fuse in `[path]`, the others in `[transformer]`."""
    text = template("device.toml")
    for key, value in stated.items():
        table = "[path]" if "fuse" in key else "[transformer]"
        text = text.replace(f"{table}\n", f'{table}\n{key} = "{value}"\n', 1)
    return parse_device(text, "device.toml")


def peaks(of: Device) -> list[Peaks]:
    return [row.peaks for row in check(of).ranges]


def test_the_crest_factor_is_that_of_a_sine_of_the_inputs_rating_and_grows_as_the_current_falls() -> None:
    """40 mA are 56.57 mA of peak, and 20 turns on 2500 see 8 mA of each ampere: 7.07 A. At 4 A that is 1.77, at 0.4 A ten times as much."""
    found = peaks(device())[2]
    assert found.largest == pytest.approx(40e-3 * math.sqrt(2) / 8e-3)
    assert dict(found.crest_factors)[4.0] == pytest.approx(1.768, abs=1e-3)
    assert dict(found.crest_factors)[0.4] == pytest.approx(17.68, abs=1e-2)
    assert found.inrush_peak == found.largest


def test_an_input_that_clips_earlier_follows_less_but_withstands_the_same() -> None:
    """50 mA of peak: 6.25 A through 20 turns, a crest factor of 1.5625 at 4 A. A sine of 4 A, 45.3 mA of peak, still passes."""
    found = peaks(device(largest_secondary_peak="50 mA"))[2]
    assert dict(found.crest_factors)[4.0] == pytest.approx(1.5625)
    assert found.inrush_peak == pytest.approx(7.07, abs=0.01)
    assert not [f for f in check(device(largest_secondary_peak="50 mA")).findings if "clips" in f.text]


def test_an_input_that_clips_a_sine_of_the_claim_is_found_on_every_range_that_claims_it() -> None:
    """The three ranges claim 80 ampere-turns, 32 mA: 45.3 mA of peak. An input that follows 40 mA follows 70.7 A of 80 A."""
    clipped = [f for f in check(device(largest_secondary_peak="40 mA")).findings if "clips" in f.text]
    assert [(f.grade, f.range, f.stops_a_run) for f in clipped] == [
        ("in the way", name, False) for name in ("x1", "x4", "x20")
    ]
    assert "lower maximum_current to 70.7 A" in clipped[0].text


def test_a_momentary_peak_that_is_stated_counts() -> None:
    """200 mA for a moment: 25 A through 20 turns."""
    assert peaks(device(largest_secondary_surge="200 mA"))[2].inrush_peak == pytest.approx(25.0)


def test_the_melting_of_the_secondary_fuse_is_seen_through_the_square_of_the_turns() -> None:
    """0.4 mA^2 s of a 50 mA fuse are, through 20 turns on 2500, 125^2 times as much in the primary; 38 % of it again and again."""
    (fuse,) = peaks(device(secondary_fuse_i2t="4e-4 A^2 s"))[2].inrush_i2t
    assert fuse.fuse == "secondary fuse"
    assert fuse.i2t == pytest.approx(0.38 * 4e-4 * 125**2)


def test_what_is_not_stated_of_a_fuse_is_said_and_not_invented() -> None:
    (fuse,) = peaks(device())[0].inrush_i2t
    assert fuse.i2t is None
    (finding,) = [f for f in check(device()).findings if f.text.startswith("in-rush")]
    assert (finding.grade, "secondary_fuse_i2t not given" in finding.text) == ("worth knowing", True)
    whole = check(device(secondary_fuse_i2t="4e-4 A^2 s"))
    assert not [f for f in whole.findings if f.text.startswith("in-rush")]


def test_the_core_follows_until_its_volt_seconds_are_those_of_a_quarter_period_at_the_knee() -> None:
    """Faraday's law: a quarter period of a sine of 6 V effective, 50 Hz, summed up in steps; the loop has 60 + 10 + 3 ohm."""
    stated = device(knee_voltage="6 V", secondary_fuse_resistance="3 ohm")
    step = 1e-6
    times = np.arange(0.5 * step, 5e-3, step)
    volt_seconds = float(np.sum(6 * math.sqrt(2) * np.cos(2 * math.pi * 50 * times)) * step)
    found = [p.inrush_charge for p in peaks(stated)]
    assert found == pytest.approx([volt_seconds / 73 * 2500 / turns for turns in (1, 4, 20)], rel=1e-6)
    assert [p.inrush_charge for p in peaks(device(knee_voltage="6 V"))] == [None] * 3
