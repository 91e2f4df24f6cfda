"""Each hazard of switch, supply and winding found and explained in a line."""

from __future__ import annotations

import pytest

from harness.design.check_result import Grade
from harness.files.loading import parse_device
from tests.harness.design.demo_device import device, edited, found
from tests.own_parts import own_parts


@pytest.mark.parametrize(
    ("key", "value", "grade", "word"),
    [
        ("switch_breaks", '"secondary"', "in the way", "DANGEROUS"),
        ("switch_breaks", "", "in the way", "trace its contacts"),
        ("supply_tapped", '"behind sensor"', "in the way", "reads its own draw"),
        ("supply_tapped", "", "not known", "follow its lead"),
        ("secondary_fuse_type", "", "not known", "F or T"),
        ("secondary_clamp", '"behind fuse"', "in the way", "across the winding, ahead of the fuse"),
        ("secondary_clamp_voltage", "", "not known", "peak voltage it limits to"),
        ("secondary_clamp_voltage", '"0.5 V"', "in the way", "need 566 mV"),
        ("secondary_clamp_voltage", '"200 V"', "worth knowing", "above extra-low voltage"),
        ("switch_voltage", "", "not known", "switch_voltage not given"),
        ("supply_voltage", "", "not known", "supply_voltage not given"),
        ("switch_voltage", '"125 V"', "in the way", "rated 125 V, the supply has 230 V"),
        ("switch_contacts", "", "not known", "break before it makes"),
        ("switch_contacts", '"make before break"', "in the way", "breaks before it makes"),
        ("switch_approval", "", "not known", "mark of a test house"),
        ("switch_approval", '"none"', "in the way", "no approval"),
        ("window_diameter", "", "not known", "24 passes fit"),
    ],
)
def test_wiring_hazards(key: str, value: str, grade: Grade, word: str) -> None:
    assert len(found(device(**{key: value}), grade, word)) == 1


def test_a_reversed_section_is_foretold() -> None:
    # One turn against three: two turns remain of four.
    (finding,) = found(device(), "worth knowing", "reversed, 2 turns remain and it reads 50 %")
    assert finding.range == "x4"
    halves = edited(("primary_turns = 4\n", "primary_turns = 2\n"), ("display_factor = 0.25", "display_factor = 0.5"))
    assert found(halves, "worth knowing", "reversed, 0 turns remain and it reads nothing")


def test_a_bypass_is_said_to_be_no_more_than_stated() -> None:
    checked = parse_device(own_parts(), "device.toml")
    (finding,) = found(checked, "worth knowing", "bypasses the range switch (25 A), as stated")
    assert finding.range == "x1"
    assert not found(parse_device(own_parts(x1=""), "device.toml"), "worth knowing", "bypasses")
