"""Parts that only some ranges use: none is driven above its rating, wherever the switch stands and whichever section is reversed."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.commands.new import template
from harness.current_limits.maximum_test_current import approach_current, maximum_test_current, safe_anywhere
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device
from harness.preparation.twin import describe
from simulated.bench_faults import parse_fault
from simulated.description import RangeDescription
from simulated.physics.range_switch import signed_turns
from tests.own_parts import own_parts

BENCH = parse_bench(template("bench.toml"), "bench.toml")
OWN = parse_device(own_parts(), "device.toml")
METER = describe(OWN, BENCH, Path("bench.toml"), (), ()).meter


def described(*wound: tuple[int, str, float, bool], switch: float = 100.0) -> Device:
    """The template's device with ranges of (turns added, wiring, own conductor in amperes, whether a lone winding bypasses)."""
    first, ranges, turns = OWN.ranges[0], [], 0
    for number, (added, wiring, conductor, _) in enumerate(wound):
        turns = turns + added if wiring == "series" else added
        new = {"name": f"r{number}", "primary_turns": turns, "wiring": wiring, "conductor": conductor, "fuse": None}
        ranges.append(first.model_copy(update=new | {"bypasses_switch": False}))
    lone = [
        r.wiring == "independent" and not any(n.wiring == "series" for n in ranges[i + 1 : i + 2])
        for i, r in enumerate(ranges)
    ]
    ranges = [
        r.model_copy(update={"bypasses_switch": w[3] and alone})
        for r, w, alone in zip(ranges, wound, lone, strict=True)
    ]
    path = OWN.path.model_copy(update={"switch": switch})
    return OWN.model_copy(update={"ranges": tuple(ranges), "path": path})


def in_the_path(device: Device, position: int, along: bool) -> list[int]:
    """The numbers of the ranges whose turns carry the current in a position, with the winding before it along."""
    found = [position]
    while device.ranges[found[-1]].wiring == "series":
        found.append(found[-1] - 1)
    return found + (in_the_path(device, position - 1, False) if along else [])


@st.composite
def wirings(draw: st.DrawFn) -> Device:
    """Devices of two to five ranges with rising turns."""
    wound, before = [], 0
    for number in range(draw(st.integers(2, 5))):
        series = number > 0 and draw(st.booleans())
        added = draw(st.integers(1, 12))
        wiring, least = ("series", added) if series else ("independent", before + added)
        before = before + added
        wound.append((least, wiring, draw(st.floats(0.5, 90)), draw(st.booleans())))
    return described(*wound, switch=draw(st.floats(0.5, 90)))


@settings(max_examples=500)
@given(wirings(), st.data())
def test_no_part_in_the_path_is_driven_above_its_rating(device: Device, data: st.DataObject) -> None:
    """The turns come from the simulated bench's winding, with the switch elsewhere, a section reversed, or two windings in circuit.

    The meter's gain may be a tenth off; before anything is read the approach is below every rating.
    """
    names = [r.name for r in device.ranges]
    selected = data.draw(st.sampled_from(names))
    really = data.draw(st.sampled_from(names))
    reverse = data.draw(st.sampled_from([None, *names]))
    position = names.index(really)
    along = (
        really == selected
        and position > 0
        and device.ranges[position].wiring == "independent"
        and data.draw(st.booleans())
    )
    faults = [f"both-windings-in-circuit:{really}"] if along else []
    if reverse is not None:
        of = "section" if device.range_named(reverse).wiring == "series" else "winding"
        faults.append(f"{of}-reversed:{reverse}")
    wound = [RangeDescription(r.name, r.primary_turns, r.wiring, r.display_factor, 1.0, 80.0) for r in device.ranges]
    meter = replace(METER, ranges=tuple(wound))
    turns = signed_turns(wound, [parse_fault(fault, meter) for fault in faults])
    observed = abs(turns[really]) * data.draw(st.floats(0.9, 1.1))
    carrying = [device.ranges[n] for n in in_the_path(device, position, along)]
    most = min(r.conductor or 0.0 for r in carrying)
    if not all(r.bypasses_switch for r in carrying):
        most = min(most, device.path.switch)
    rng = device.range_named(selected)
    assert maximum_test_current(device, BENCH, rng, observed).current <= most
    assert approach_current(device, BENCH, rng) <= safe_anywhere(device, BENCH) <= most


def test_the_rating_of_a_range_counts_once_range_and_turns_agree() -> None:
    """x1 bypasses a switch of 25 A; before it reads as one turn, nothing above the 4.5 A of the weakest fuse, less with all windings in circuit."""
    one, four, twenty = OWN.ranges
    assert maximum_test_current(OWN, BENCH, one, 1.0).current == 80.0
    # 40 mA x 2500 / 25 turns.
    assert safe_anywhere(OWN, BENCH) == pytest.approx(4.0)
    for turns in (0.0, 0.5, 1.3, 4.0, 20.0, 25.0):
        found = maximum_test_current(OWN, BENCH, one, turns)
        assert found.current <= 4.5
    found = maximum_test_current(OWN, BENCH, one, 1.3)
    assert (found.current, found.set_by) == (4.5, "fuse of range x20")
    assert maximum_test_current(OWN, BENCH, four, 4.0).current == 20.0
    assert maximum_test_current(OWN, BENCH, twenty, 20.0).current == 4.0


def test_a_winding_that_may_hide_in_the_reading_counts() -> None:
    """Three turns in series read as one with the two added reversed (2 - 1); so do windings of one and two turns against each other."""
    for wiring, other in (("series", 2), ("independent", 2)):
        device = described((1, "independent", 90.0, False), (other, wiring, 10.0, False))
        found = maximum_test_current(device, BENCH, device.ranges[0], 1.0)
        assert (found.current, found.set_by) == (10.0, "conductor of range r1")
    # 1 + 3 in series read as 4 or 2, never as 1.
    clear = described((1, "independent", 90.0, False), (3, "series", 10.0, False))
    assert maximum_test_current(clear, BENCH, clear.ranges[0], 1.0).current == 80.0


def test_sections_before_it_carry_the_current_of_a_series_range() -> None:
    device = described((1, "independent", 6.0, False), (3, "series", 10.0, False))
    found = maximum_test_current(device, BENCH, device.ranges[1])
    assert maximum_test_current(device, BENCH, device.ranges[1], 4.0) == found
    assert (found.current, found.set_by) == (6.0, "conductor of range r0")


def test_two_faults_at_once_rule_out_no_part() -> None:
    """By hand. 5, 10 and 15 turns in series: x15 with its first section left out reads ten, through the 3 A conductor.

    Windings of 30 and 20 turns against each other read ten as well, though neither is selected.
    """
    series = described((5, "independent", 16.0, False), (5, "series", 8.0, False), (5, "series", 3.0, False))
    found = maximum_test_current(series, BENCH, series.ranges[1], 10.0)
    assert (found.current, found.set_by) == (3.0, "conductor of range r2")
    apart = described(
        (10, "independent", 16.0, False), (20, "independent", 8.0, False), (30, "independent", 0.5, False)
    )
    found = maximum_test_current(apart, BENCH, apart.ranges[0], 10.0)
    assert (found.current, found.set_by) == (0.5, "conductor of range r2")
