"""Parts and conductors that are too weak, against worked examples and common practice."""

from __future__ import annotations

from harness.design.check import check
from tests.harness.design.demo_device import device, edited, found


def test_an_undersized_switch_limits_every_range_that_claims_more() -> None:
    findings = found(device(switch='"10 A"'), "in the way", "range switch: rated 10 A")
    assert [f.range for f in findings] == ["x1", "x4"]
    assert "lower maximum_current to 10 A" in findings[0].text


def test_an_undersized_conductor_is_told_what_to_be() -> None:
    # Common practice, no published source: 1.5 mm2 flexible cord carries 16 A; 20 A take 2.5 mm2.
    (finding,) = found(edited(('"2.5 mm^2"', '"1.5 mm^2"')), "in the way", "usually carries")
    assert finding.range == "x4"
    assert "16 A, the claim needs 20 A; wind 2.5 mm2" in finding.text


def test_a_range_that_turns_cannot_tell_from_a_finer_one_is_held_to_its_parts() -> None:
    """1 + 2 turns with the 2 reversed read as 1, so a run keeps x1 within the section's 22 A; 1 + 3 read as 2."""
    three = edited(
        ('name = "x4"', 'name = "x4"\nconductor = "22 A"'),
        ("primary_turns = 4", "primary_turns = 3"),
        ("display_factor = 0.25", "display_factor = 0.333333"),
    )
    (finding,) = found(three, "in the way", "conductor of range x4: rated 22 A, the claim needs 80 A")
    assert finding.range == "x1"
    assert finding.text.endswith("wired wrong, this range may read right through it")
    assert (check(three).ranges[0].maximum_test_current, check(three).ranges[0].set_by) == (
        22.0,
        "conductor of range x4",
    )
    four = edited(('name = "x4"', 'name = "x4"\nconductor = "22 A"'))
    assert check(four).ranges[0].maximum_test_current == 80.0
    assert check(four).count("in the way") == 0
