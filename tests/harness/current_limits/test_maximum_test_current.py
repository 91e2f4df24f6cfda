"""Maximum test currents, and the part that sets them."""

from pathlib import Path

import pytest

from harness.commands.new import template
from harness.current_limits.maximum_test_current import (
    approach_current,
    maximum_test_current,
    switch_looks_elsewhere,
    too_large,
)
from harness.current_limits.ratings import device_parts
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device


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
    assert maximum_test_current(ten_turns(), bench, one).current == pytest.approx(100.0)
    assert maximum_test_current(ten_turns(), bench, ten).current == pytest.approx(10.0)
    assert "meter input" in maximum_test_current(ten_turns(), bench, ten).set_by


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
def test_the_weakest_part_sets_it_and_is_named(bench: Bench, replaced: dict[str, str], part: str) -> None:
    """12 mA in the secondary of 2500 turns is 30 A through one turn; whichever part stands 30 A is named."""
    weak = device(**replaced)
    found = maximum_test_current(weak, bench, weak.ranges[0])
    assert part in found.set_by
    assert found.current == pytest.approx(30.0 if replaced else 80.0)


def test_observed_turns_lower_it_and_never_raise_it(bench: Bench) -> None:
    """Twenty turns seen where one is expected: 40 mA x 2500 / 20 = 5 A; fewer turns seen change nothing."""
    demo = device()
    assert maximum_test_current(demo, bench, demo.ranges[0], observed_turns=20.0).current == pytest.approx(5.0)
    assert maximum_test_current(demo, bench, demo.ranges[2], observed_turns=1.0).current == pytest.approx(4.0)


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


def test_the_load_and_the_reference_are_parts_too(bench: Bench) -> None:
    """A load of 30 A, or a reference that reads up to 20 A: no more is asked of either."""
    weak = dict(bench.instruments)
    weak["source"] = weak["source"].model_copy(update={"maximum_current": 30.0})
    found = maximum_test_current(device(), bench.model_copy(update={"instruments": weak}), device().ranges[0])
    assert (found.current, found.set_by) == (30.0, "load")
    weak = dict(bench.instruments)
    low = tuple(r for r in weak["multimeter"].ranges if r.full_scale * bench.reference_path.factor <= 20.0)
    weak["multimeter"] = weak["multimeter"].model_copy(update={"ranges": low})
    found = maximum_test_current(device(), bench.model_copy(update={"instruments": weak}), device().ranges[0])
    assert found.current == pytest.approx(low[-1].full_scale * bench.reference_path.factor)
    assert found.set_by == "largest range of the reference"


@pytest.fixture
def shelf() -> Bench:
    return parse_bench(template("bench_by_hand.toml"), "bench_by_hand.toml")


def with_loads(bench: Bench, *currents: float) -> Bench:
    """The bench with these loads on its shelf, amperes, each a sine."""
    entries = dict(bench.instruments)
    one = entries["shelf"].shelf[0]
    loads = tuple(one.model_copy(update={"name": f"load {c:g}", "current": c, "waveform": "sine"}) for c in currents)
    entries["shelf"] = entries["shelf"].model_copy(update={"shelf": loads})
    return bench.model_copy(update={"instruments": entries})


def test_a_load_on_a_shelf_may_draw_a_tenth_more_than_its_plate_says(shelf: Bench) -> None:
    """IEC 60335-1, 10.1: the power input of a heating appliance may be 5 % above the rated one, or 10 % of a small one (value from memory)."""
    ten = ten_turns().ranges[1]
    parts = 100e-3 * ten_turns().transformer.secondary_turns / ten.primary_turns
    assert maximum_test_current(ten_turns(), with_loads(shelf, 1.0), ten).current == pytest.approx(parts / 1.1)


@pytest.mark.parametrize(
    ("loads", "tried"),
    [
        # The whole input is 100 mA x 1000 / 11 turns = 9.1 A with both windings in circuit, a tenth less off a shelf: 8.26 A.
        ((0.5, 2.0, 5.0), 2.0),
        ((2.0, 1.0, 5.0), 1.0),
        ((0.05, 0.5, 9.0), 0.5),
        ((0.001, 9.0), 0.0),
    ],
)
def test_from_a_shelf_the_smallest_claimed_is_tried_or_the_largest_below_it(
    shelf: Bench, loads: tuple[float, ...], tried: float
) -> None:
    one = ten_turns().ranges[0].model_copy(update={"minimum_current": 1.0})
    assert approach_current(ten_turns(), with_loads(shelf, *loads), one) == tried


def test_a_load_of_the_largest_current_claimed_is_safe_to_try(shelf: Bench) -> None:
    """What every range claims, every range may carry; a claim is no rating, so no tenth is taken off it."""
    made = ten_turns()
    made = made.model_copy(update={"ranges": tuple(r.model_copy(update={"maximum_current": 5.0}) for r in made.ranges)})
    one = made.ranges[0].model_copy(update={"minimum_current": 3.0})
    assert approach_current(made, with_loads(shelf, 1.0, 5.0, 6.0), one) == 5.0


def test_no_range_is_recognised_between_two_and_none_without_a_reading() -> None:
    """9 turns are a tenth and more from 10 and far from 1; none fit nothing."""
    made = ten_turns()
    one, ten = made.ranges
    assert switch_looks_elsewhere(made, one, 9.5) == ten
    assert switch_looks_elsewhere(made, one, 8.9) is None
    assert switch_looks_elsewhere(made, one, 11.5) is None
    assert switch_looks_elsewhere(made, ten, 0.0) is None
    assert switch_looks_elsewhere(made, ten, 8.1) is None


def test_a_load_that_a_range_claims_and_may_not_carry_is_never_to_be_plugged_in() -> None:
    """A load may draw a tenth more than is written on it: of a 40 mA input behind 2500:20, 5 A / 1.1 = 4.55 A."""
    hand = parse_bench(
        template("bench_by_hand.toml").replace('"5.9 A"', '"4.7 A"').replace('"8.7 A"', '"95 A"'), "bench.toml"
    )
    text = template("device.toml").replace('maximum_current = "4 A"', 'maximum_current = "5 A"')
    found = too_large(parse_device(text, "device.toml"), hand)
    assert list(found) == [4.7, 95.0]
    assert found[4.7].startswith("4.7 A is above the maximum test current of 4.545 A on range x20, set by meter input")
    assert found[4.7].endswith("the other ranges use it once maximum_current of x20 is below it")
    assert (
        found[95.0]
        == "95 A is above the maximum test current of 9.091 A on range x1, set by largest range of the reference"
    )
    assert list(too_large(device(), hand)) == [95.0]
    # A claim that ends at the load invites it too.
    just = template("device.toml").replace('maximum_current = "4 A"', 'maximum_current = "4.7 A"')
    assert list(too_large(parse_device(just, "device.toml"), hand)) == [4.7, 95.0]


def rated(device: Device, **ratings: float) -> Device:
    """The device with other ratings of its path, amperes."""
    return device.model_copy(update={"path": device.path.model_copy(update=ratings)})


def test_each_part_says_what_it_stands_and_in_what_words(bench: Bench) -> None:
    """The parts behind the transformer see I x turns / secondary turns: 20 turns of 2500 carry 5 A for 40 mA, 2.5 A for a fuse of 20 mA."""
    told = {
        "meter input, 40 mA in the secondary at 20 turns": (rated(device()), 5.0),
        "secondary fuse, 20 mA at 20 turns": (rated(device(), secondary_fuse=0.02), 2.5),
        "range switch": (rated(device(), switch=3.0), 3.0),
        "conductor": (rated(device(), conductor=3.0), 3.0),
        "fuse": (rated(device(), fuse=3.0), 3.0),
        "supply socket": (rated(device(), supply_socket=3.0), 3.0),
    }
    for name, (made, current) in told.items():
        least = min(device_parts(made, 20.0, made.ranges), key=lambda part: part.current)
        assert (least.set_by, least.current) == (name, pytest.approx(current))


def test_a_rating_of_the_reference_path_is_named(bench: Bench) -> None:
    path = bench.reference_path.model_copy(update={"maximum_current": 1.5})
    found = maximum_test_current(device(), bench.model_copy(update={"reference_path": path}), device().ranges[2])
    assert (found.current, found.set_by) == (1.5, "reference path")


@pytest.mark.parametrize("least", [0, 1, 2])
def test_the_approach_keeps_below_the_claim_of_any_range(bench: Bench, least: int) -> None:
    """The switch may stand at the range that claims least, whichever that is; found: only the last one's claim was heeded."""
    made = device()
    ranges = [r.model_copy(update={"minimum_current": 3.0}) for r in made.ranges]
    ranges[least] = ranges[least].model_copy(update={"maximum_current": 1.0})
    made = made.model_copy(update={"ranges": tuple(ranges)})
    assert [approach_current(made, bench, rng) for rng in ranges] == [1.0] * 3


@pytest.mark.parametrize(("loads", "tried"), [((2e-3, 1.0), 2e-3), ((1.9e-3, 1.0), 1.0)])
def test_a_load_is_tried_when_the_display_of_that_range_reads_it(
    shelf: Bench, loads: tuple[float, ...], tried: float
) -> None:
    """20 mA is the smallest current displayed; with ten turns, and a display that stands at ten times, 2 mA: one just there is read."""
    ten = ten_turns().ranges[1].model_copy(update={"minimum_current": 2e-3})
    assert approach_current(ten_turns(), with_loads(shelf, *loads), ten) == tried


def test_one_turn_more_is_no_other_range_even_where_there_is_one() -> None:
    """9 turns expected and 10 seen are a winding fault or a wrong position; within 20 % the readings of the range decide that, not its neighbour."""
    made = ten_turns()
    one, ten = made.ranges
    nine = ten.model_copy(update={"name": "nine", "primary_turns": 9})
    near = made.model_copy(update={"ranges": (one, nine, ten)})
    assert switch_looks_elsewhere(near, nine, 10.0) is None
    assert switch_looks_elsewhere(near, ten, 9.0) is None
    assert switch_looks_elsewhere(near, one, 9.1) == nine


@pytest.mark.parametrize(("current", "refused"), [(9.2, False), (9.3, True)])
def test_a_load_a_little_above_is_no_danger_and_brought_down_to_what_is_permitted(
    shelf: Bench, current: float, refused: bool
) -> None:
    """The reference's 10 A, a tenth less off a shelf, are 9.09 A; a point up to 2 % above that (9.27 A) is taken at it."""
    assert (current in too_large(device(), with_loads(shelf, 0.5, current))) is refused
