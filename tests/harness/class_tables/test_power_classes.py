"""Limits of power error of the meter classes against the published tables, and the claims made with them."""

import csv
import math
from pathlib import Path
from typing import cast, get_args

import pytest

from harness.claims.claim_text import FROM_MEMORY, limits_in_words
from harness.claims.limits_of_error import limit_of_phase_displacement, limit_of_power_error
from harness.class_tables.accuracy_classes import PHASE_MINUTES, SOURCE, phase_displacement_limit
from harness.class_tables.power_classes import (
    BANDS,
    HIGHEST_CURRENT,
    PowerClass,
    no_load_class,
    no_load_period,
    power_error_limit,
    power_source,
)
from harness.commands.new import template
from harness.core.errors import UserError
from harness.files.device import Device
from harness.files.loading import parse_device

REFERENCE = Path(__file__).parents[2] / "reference"
POWER_FACTORS = {"1": 1.0, "0.5ind": 0.5, "0.8cap": -0.8}


def _rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_every_limit_of_the_transformer_operated_columns() -> None:
    """IEC 62053-21:2003 and IEC 62053-22:2003, balanced load (value from memory, tests/reference/README.md)."""
    seen = set()
    for row in _rows("iec62053_21_22_limits.csv"):
        if row["ref"] != "In" or row["load"] != "balanced":
            continue
        power_class = cast("PowerClass", f"IEC {row['standard'].partition(':')[0]} {row['class']}")
        power_factor, limit = POWER_FACTORS[row["pf"]], float(row["limit_pct"]) / 100
        low = float(row["I_from"])
        upper = row["I_to_excl_or_Imax"]
        high = HIGHEST_CURRENT if upper == "Imax" else float(upper) * 0.99
        for part in (low, math.sqrt(low * high), high):
            assert power_error_limit(power_class, part, power_factor) == pytest.approx(limit)
        seen.add(power_class)
    assert len(seen) == 4


@pytest.mark.parametrize(
    ("name", "part", "power_factor", "limit"),
    [
        ("EN 50470-3 A", 0.03, 1.0, 0.025),
        ("EN 50470-3 B", 0.03, 1.0, 0.015),
        ("EN 50470-3 C", 0.03, 1.0, 0.010),
        ("EN 50470-3 A", 0.05, 0.5, 0.02),
        ("EN 50470-3 B", 1.0, 0.7, 0.01),
        ("EN 50470-3 C", 1.2, -0.8, 0.005),
        ("EN 50470-3 B", 0.03, 0.5, None),
        ("EN 50470-3 A", 0.015, 1.0, None),
        ("EN 50470-3 B", 1.0, -0.5, None),
        ("IEC 62053-21 2", 0.5, -0.8, None),
        ("IEC 62053-21 1", 0.015, 1.0, None),
        ("IEC 62053-21 1", 0.5, 0.7, None),
        ("IEC 62053-21 1", 1.3, 1.0, None),
    ],
)
def test_limits_of_en_50470_3_and_where_nothing_is_claimed(
    name: PowerClass, part: float, power_factor: float, limit: float | None
) -> None:
    """EN 50470-3 (value from memory): Itr = In/20; 2.5, 1.5, 1.0 % below Itr at power factor 1, 2.0, 1.0, 0.5 % from Itr up."""
    assert power_error_limit(name, part, power_factor) == (None if limit is None else pytest.approx(limit))


def test_every_phase_displacement_of_the_transformer_classes() -> None:
    """IEC 61869-2:2012, tables 201 and 202: minutes, and beside them centiradians (the latter value from memory)."""
    for row in _rows("iec61869_2_ct_limits.csv"):
        found = phase_displacement_limit(row["class"], float(row["pct_In"]) / 100)
        if not row["phase_min"]:
            assert found is None
            continue
        assert found == pytest.approx(math.radians(float(row["phase_min"]) / 60))
        # The standard rounds its centiradians: 8' are 0.2327 crad and stand as 0.24.
        assert found == pytest.approx(float(row["phase_crad"]) / 100, rel=0.04)
    assert phase_displacement_limit("0.5", 0.04) is None


def test_every_table_says_where_it_comes_from() -> None:
    assert set(BANDS) == set(get_args(PowerClass))
    assert all(power_source(name).text and power_source(name).from_memory for name in BANDS)
    assert SOURCE.text
    assert not SOURCE.from_memory
    assert set(PHASE_MINUTES) == {"0.1", "0.2", "0.5", "1", "0.2S", "0.5S"}


def _device(claim: str, *, shows_power: bool = True) -> Device:
    lines = template("device.toml").replace("[claim]\n", f"[claim]\n{claim}\n").splitlines()
    kept = [line for line in lines if shows_power or not line.startswith("power_resolution")]
    return parse_device("\n".join(kept), "device.toml")


def test_a_claim_of_power_in_percent_and_steps() -> None:
    """common practice, no published source: 1 % of reading and 20 steps of 0.1 W at 200 VA and power factor 0.5 are 3 %."""
    device = _device('power_of_reading = "1 %"\npower_counts = 20')
    base = device.ranges[0]
    assert (base.display_factor, device.display.power_resolution) == (1, 0.1)
    assert limit_of_power_error(device, base, 1.0, 200.0, 0.5) == pytest.approx(0.03)
    assert limit_of_power_error(device, base, 1.0, 200.0, -0.5) == pytest.approx(0.03)
    assert limit_of_phase_displacement(device, base, 1.0) is None
    assert limits_in_words(device.claim)["power error"] == "within ± (1 % of reading + 20 display steps of power)"


def test_a_claim_of_a_class_says_which_table_is_from_memory() -> None:
    device = _device('power_class = "IEC 62053-21 1"\nphase_displacement = "0.5 deg"')
    base = device.ranges[0]
    assert limit_of_power_error(device, base, base.maximum_current, 230 * base.maximum_current, 1.0) == pytest.approx(
        0.01
    )
    assert limit_of_phase_displacement(device, base, 1.0) == pytest.approx(math.radians(0.5))
    told = limits_in_words(device.claim)
    assert told["phase displacement"] == "within ± 30 minutes of arc"
    assert told["power error"].startswith("of class 1 of IEC 62053-21")
    assert FROM_MEMORY in told["power error"]


@pytest.mark.parametrize(
    ("claim", "complaint"),
    [
        ('power_class = "IEC 62053-21 1"\npower_counts = 1', "either power_class"),
        ("power_counts = 1", "no display.power_resolution"),
        ('power_class = "IEC 62053-21 7"', "power_class"),
    ],
)
def test_claims_that_contradict_themselves(claim: str, complaint: str) -> None:
    with pytest.raises(UserError, match=complaint):
        _device(claim, shows_power=False)


@pytest.mark.parametrize(
    ("power_class", "minutes"),
    [
        ("IEC 62053-21 1", 43.478),
        ("IEC 62053-21 2", 34.783),
        ("IEC 62053-22 0.5S", 43.478),
        ("IEC 62053-22 0.2S", 65.217),
        # Without a constant of its own: by the least demanding class.
        ("EN 50470-3 B", 34.783),
        (None, 34.783),
    ],
)
def test_how_long_creep_is_to_be_watched(power_class: PowerClass | None, minutes: float) -> None:
    """IEC 62053-21:2003 and -22:2003, 8.3.2 (values from memory): 600e6 / (k m Un Imax) min for class 1, 480e6 for class 2,
    900e6 for 0.2S; k = 1000 pulses per kWh, one element, 230 V, 60 A.
    """
    assert no_load_period(no_load_class(power_class), 3600.0, 230.0, 60.0) == pytest.approx(60 * minutes, rel=1e-4)
