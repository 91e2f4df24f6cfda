"""Ceilings, and the part that sets them."""

from pathlib import Path

import pytest

from harness.commands.new import template
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device
from harness.limits.ceilings import approach_current, ceiling, switch_looks_elsewhere


@pytest.fixture
def bench() -> Bench:
    return parse_bench(template("bench.toml"), "bench.toml")


def device(**replaced: str) -> Device:
    """The template's device with some `key = value` texts replaced."""
    text = template("device.toml")
    for old, new in replaced.items():
        text = text.replace(f"{old} = ", f"{old} = {new}  #", 1)
    return parse_device(text, "device.toml")


def ten_turns() -> Device:
    """A device on a 1:1000 core whose input stands 100 mA, with one and with ten turns."""
    text = Path(__file__).with_name("ten_turns.toml").read_text(encoding="utf-8")
    return parse_device(text, "ten_turns.toml")


def test_ten_turns_bring_a_100_ma_input_down_to_10_a(bench: Bench) -> None:
    """common practice, no published source: a 1:1000 core with a 100 mA input limits at 100 A, with ten turns at 10 A."""
    one, ten = ten_turns().ranges
    assert ceiling(ten_turns(), bench, one).current == pytest.approx(100.0)
    assert ceiling(ten_turns(), bench, ten).current == pytest.approx(10.0)
    assert "meter input" in ceiling(ten_turns(), bench, ten).set_by


@pytest.mark.parametrize(
    ("replaced", "part"),
    [
        ({"switch": '"30 A"'}, "range switch"),
        ({"conductor": '"30 A"'}, "conductor"),
        ({"maximum_secondary_current": '"12 mA"'}, "meter input"),
        ({"secondary_fuse": '"12 mA"'}, "secondary fuse"),
        ({}, "claim"),
    ],
)
def test_the_weakest_part_sets_the_ceiling_and_is_named(bench: Bench, replaced: dict[str, str], part: str) -> None:
    """12 mA in the secondary of 2500 turns is 30 A through one turn; whichever part stands 30 A is named."""
    weak = device(**replaced)
    found = ceiling(weak, bench, weak.ranges[0])
    assert part in found.set_by
    assert found.current == pytest.approx(30.0 if replaced else 80.0)


def test_observed_turns_lower_the_ceiling_and_never_raise_it(bench: Bench) -> None:
    """Twenty turns seen where one is expected: 40 mA x 2500 / 20 = 5 A; fewer turns seen change nothing."""
    demo = device()
    assert ceiling(demo, bench, demo.ranges[0], observed_turns=20.0).current == pytest.approx(5.0)
    assert ceiling(demo, bench, demo.ranges[2], observed_turns=1.0).current == pytest.approx(4.0)


def test_the_approach_is_safe_wherever_the_switch_stands(bench: Bench) -> None:
    """Even with the windings of all ranges in circuit the input stays within its maximum."""
    for made in (device(), ten_turns()):
        turns = sum(r.primary_turns for r in made.ranges)
        for rng in made.ranges:
            secondary = approach_current(made, bench, rng) * turns / made.transformer.secondary_turns
            assert secondary <= made.transformer.maximum_secondary_current
            assert approach_current(made, bench, rng) <= rng.minimum_current


def test_a_switch_elsewhere_is_recognised_and_one_turn_more_is_not_called_one(bench: Bench) -> None:
    """20 turns on x1 look like x20; 5 turns on x4 are no other range; a drifted gain is none either."""
    demo = device()
    one, four, twenty = demo.ranges
    assert switch_looks_elsewhere(demo, one, 20.3) == twenty
    assert switch_looks_elsewhere(demo, four, 0.99) == one
    assert switch_looks_elsewhere(demo, four, 5.0) is None
    assert switch_looks_elsewhere(demo, twenty, 20.6) is None
