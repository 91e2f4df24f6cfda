"""What a range reads and claims, gaps between ranges, and the display factor."""

from __future__ import annotations

from harness.commands.new import template
from harness.files.loading import parse_device
from tests.harness.design.demo_device import device, edited, found


def test_a_gap_that_nobody_claims_but_both_read() -> None:
    (finding,) = found(edited(('minimum_current = "0.2 A"', 'minimum_current = "6 A"')), "in the way", "gap")
    assert finding.range == "x20"
    assert "serves up to 4 A, x4 claims from 6 A" in finding.text
    # 4 turns read from 20 mA / 4.
    assert "both read from 5 mA to 4 A" in finding.text


def test_a_gap_that_a_weak_part_opens() -> None:
    """The claims overlap, but 0.8 mA x 2500 / 4 = 0.5 A is all that four turns stand; the base turn claims from 0.8 A."""
    findings = found(
        device(maximum_secondary_current='"0.8 mA"', rated_secondary_current='"0.8 mA"'), "in the way", "gap"
    )
    assert [f.range for f in findings] == ["x4", "x20"]
    assert "x4 serves up to 500 mA, x1 claims from 800 mA" in findings[0].text


def test_a_gap_that_nobody_can_read() -> None:
    # 7 A is the least the base turn reads; four turns of a 2 mA input end at 2 mA x 2500 / 4 = 1.25 A.
    weak = device(smallest_readable_current='"7 A"', maximum_secondary_current='"2 mA"')
    (finding, _) = found(weak, "in the way", "nothing is read between")
    assert finding.range == "x4"
    assert "up to 1.25 A, x1 reads from 7 A" in finding.text


def test_ten_turns_lift_twelve_milliamperes_above_twenty() -> None:
    """Common practice, no published source: a load of 12 mA below a 20 mA threshold is lifted above it by ten turns."""
    ten = edited(
        ("primary_turns = 20", "primary_turns = 10"),
        ("display_factor = 0.05", "display_factor = 0.1"),
        ('minimum_current = "40 mA"', 'minimum_current = "12 mA"'),
    )
    assert not found(ten, "in the way", "reads 0")
    one = edited(('minimum_current = "0.8 A"', 'minimum_current = "12 mA"'))
    (finding,) = found(one, "in the way", "reads 0 below 20 mA")
    assert finding.range == "x1"


def test_a_display_factor_that_does_not_undo_the_turns() -> None:
    (finding,) = found(edited(("display_factor = 0.05", "display_factor = 0.06")), "in the way", "0.05 is right")
    assert "+20.00 %" in finding.text


def test_a_register_of_energy_counts_the_display() -> None:
    """Power is voltage times displayed current, so a range of twenty turns counts twenty times as much."""
    (finding,) = found(device(), "worth knowing", "energy register")
    assert "4 times the energy on x4, 20 times the energy on x20" in finding.text
    whole = template("device.toml")
    without = "\n".join(line for line in whole.splitlines() if not line.startswith("energy_resolution"))
    assert not found(parse_device(without, "device.toml"), "worth knowing", "energy register")
