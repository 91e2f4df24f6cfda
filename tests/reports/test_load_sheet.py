"""The sheet of a measured load: one page, its values as they are, and what they do not say."""

from __future__ import annotations

import dataclasses
import io

import pypdf
import pytest

from harness.results import LowPower, MeasuredCycles, MeasuredLoad, Stability, Stated
from reports.load_sheet import load_sheet, quantities


def stated(value: float, expanded: float) -> Stated:
    return Stated(value, expanded / 2, expanded, 2.0, None)


FOUND = MeasuredLoad(
    load="reading lamp",
    meter="Ostrel RM-40 rack energy monitor",
    serial="40117",
    certificate="12AB-34CD-56EF",
    verified="2026-03-02",
    measured="2026-05-04 10:12",
    operator="the workshop",
    simulated=False,
    range_name="x20",
    display_factor=0.05,
    voltage=231.4,
    voltage_error=0.5,
    currents=(0.812, 0.813, 0.814, 0.813, 0.815),
    powers=(82.1, 82.2, 82.4, 82.5, 82.7),
    seconds=41.0,
    spread=0.0021,
    steady=True,
    coverage_probability=0.9545,
    current=stated(0.040671, 0.00012),
    power=stated(4.1234, 0.061),
    apparent_power=stated(9.366, 0.05),
    power_factor=stated(0.4402, 0.0071),
    energy_per_year=stated(4.1234 * 365.25 * 86400, 0.061 * 365.25 * 86400),
    cycles=None,
    low_power=None,
    stability=None,
    own_current=0.0,
    own_power=0.0,
    not_stated=(),
    not_included=("of a current of another waveform the error is not known",),
)


def text_of(found: MeasuredLoad) -> str:
    reader = pypdf.PdfReader(io.BytesIO(load_sheet(found)))
    assert len(reader.pages) == 1
    return " ".join(reader.pages[0].extract_text().split())


def test_every_value_stands_with_its_uncertainty_rounded_as_on_a_certificate() -> None:
    """4.1234 W the whole of a year of 8,766 h are 36.15 kWh, 0.061 W are 0.53 kWh."""
    text = text_of(FOUND)
    for told in ("(40.67 ± 0.12) mA", "(4.123 ± 0.061) W", "(9.366 ± 0.050) VA", "0.4402 ± 0.0071", "36.15 ± 0.53 kWh"):
        assert told in text, text
    assert "231.4 V, wrong by at most 0.5 V, as the operator stated; not verified" in text
    assert "Of a current of another waveform the error is not known." in text
    assert next(name for name, _, _ in quantities(FOUND)) == "Current"


@pytest.mark.parametrize("steady", [True, False])
def test_what_is_not_there_is_said(steady: bool) -> None:
    found = dataclasses.replace(
        FOUND,
        steady=steady,
        simulated=True,
        power=None,
        power_factor=None,
        energy_per_year=None,
        not_stated=("power and power factor: not verified on range x20 at this current",),
    )
    text = text_of(found)
    assert "Not stated: power and power factor: not verified on range x20" in text
    assert "kWh" not in text
    assert "simulated" in text
    assert ("not steady" in text) is not steady


def test_what_was_found_beside_the_values_is_told() -> None:
    """3.6 kJ are 1 Wh; 10 mW/h are 2.778 uW/s."""
    found = dataclasses.replace(
        FOUND,
        cycles=MeasuredCycles(3, 5400.0, stated(3600.0 * 12.345, 3600.0 * 0.21), stated(8.23, 0.14)),
        low_power=LowPower(4.0, 9.1, 0.0825, True),
        stability=Stability(-1e-6, 0.0412 / 3600, 600.0, 41, "stable"),
        own_current=0.0123,
        own_power=1.25,
    )
    text = text_of(found)
    for told in (
        "Energy of 3 whole cycles in 90.0 min (12.35 ± 0.21) Wh",
        "(8.23 ± 0.14) W",
        "the maximum current ratio is 9.1: the uncertainty of power is good enough for this load by IEC 62301, which permits 82.5 mW (value from memory)",
        "a slope of 3.6 mW/h; IEC 62301 permits 41.2 mW/h (value from memory): the power was stable",
        "With nothing plugged in the meter showed 12.3 mA and 1.25 W. The power is taken off whole",
    ):
        assert told in text, text


@pytest.mark.parametrize(
    ("low", "told"),
    [
        (LowPower(None, None, 0.02, True), "whatever its crest factor: no more than 20 mW"),
        (LowPower(None, None, 0.02, None), "depends on its crest factor, which is unknown"),
        (LowPower(6.0, 14.0, 0.02, False), "is NOT good enough for this load"),
    ],
)
def test_whether_the_uncertainty_is_good_enough_is_not_guessed(low: LowPower, told: str) -> None:
    assert told in text_of(dataclasses.replace(FOUND, low_power=low))
