"""Loads and ranges that bear their current for a time: never on for longer, and told where that is too short."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import new
from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import load_inputs
from harness.run.time_on import seconds_needed
from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, Wait, procedure
from simulated.physics.observers import Measured
from tests.hands import Hands, by
from tests.harness.run.shelf import Watched, hand, longest, may_be_on, wired, worked

AMPERES_FOR_SECONDS = ('"10 A", of_reading', '"10 A", longest_on = "{}", of_reading')


def limited(seconds: str) -> tuple[str, str]:
    """A change of the hand bench: the 10 A range of its multimeter may carry current for so long."""
    return AMPERES_FOR_SECONDS[0], AMPERES_FOR_SECONDS[1].format(seconds)


def test_no_load_is_on_for_longer_than_it_may_be_during_a_hold(tmp_path: Path) -> None:
    """The shipped bench: a kettle boils in minutes; what is held for ten is made to be left on."""
    inputs = hand(tmp_path, "endurance", Options(readings=1))
    twin, links = worked(inputs)
    assert all(longest(links)[c] <= may_be_on(inputs)[c] for c in longest(links))
    assert 8.7 not in longest(links)
    held = [rng.endurance for rng in twin.results().ranges if rng.endurance is not None]
    assert [found.points for found in held] == [11, 11, 11]
    assert all(found.seconds > 600 for found in held)


def test_a_hold_is_cut_where_no_load_lasts_and_the_rehearsal_tells(tmp_path: Path) -> None:
    """What is not said to be made for it is on for 3 min; three points of a hold are enough for a drift."""
    inputs = hand(
        tmp_path,
        "endurance",
        Options(readings=1),
        *((f', longest_on = "{h} h"', "") for h in (8, 2, 1)),
        ('"3 min"', '"4 min"'),
    )
    told = rehearsal_of(inputs, StopSignal())
    assert told.problems == ()
    (cut, *others) = [note for note in told.notes if "would be held" in note]
    assert len(others) == 2
    assert "x1: 8.7 A for 2 min 17 s" in cut
    assert "kettle may be on for 4 min at a time (longest_on)" in cut
    twin, links = worked(inputs)
    assert all(seconds <= may_be_on(inputs)[c] for c, seconds in longest(links).items())
    assert 120 < longest(links)[8.7] <= 240
    assert all(3 <= rng.endurance.points < 11 for rng in twin.results().ranges if rng.endurance is not None)


def test_a_hold_that_is_not_possible_stands_in_the_way(tmp_path: Path) -> None:
    inputs = hand(
        tmp_path,
        "endurance",
        Options(readings=1),
        *((f'"{h} h"', '"100 s"') for h in (8, 2, 1)),
        ('"3 min"', '"100 s"'),
    )
    problems = rehearsal_of(inputs, StopSignal()).problems
    assert len(problems) == 3
    assert "no drift is found from fewer than 3 points" in problems[0]


@procedure(title="Own", revision="1")
def stays(device: Device, options: Options) -> Steps:
    """Asks for a kettle to stay on, by waits, by points and by applying it again."""
    yield Select(device.ranges[0])
    yield Apply(8.7)
    yield Observe("first", 1, "single")
    yield Wait(3600.0)
    yield Observe("after an hour", 1, "single")
    yield Apply(8.7)
    for count in range(40):
        yield Observe(f"again {count}", 1, "single")
    yield Apply(8.7)
    yield Observe("many", 60, "single")
    yield Release()


def test_no_procedure_gets_round_it(tmp_path: Path) -> None:
    inputs = replace(hand(tmp_path, "turns_check", Options()), procedure=stays)
    hands = Hands()
    twin, links = worked(inputs, hands)
    assert longest(links)[8.7] <= 180
    skipped = {line["name"]: line["reason"] for line in twin.record.of_kind("skip")}
    assert {"after an hour", "many"} <= skipped.keys()
    assert set(skipped.values()) == {"kettle may be on for 3 min at a time (longest_on)"}
    assert any("many is not finished. Let the load cool down" in p for p in hands.prompts)


def test_a_range_that_bears_its_current_for_too_short_a_time_is_told_at_the_rehearsal(tmp_path: Path) -> None:
    """30 s are no time to plug in, read twice and unplug; the certificate's checks know the reason."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=4, per_decade=1), limited("30 s"))
    problems = rehearsal_of(inputs, StopSignal()).problems
    because = "multimeter may carry current on its 10 A range for 30 s at a time (longest_on)"
    assert any("8.7 A" in text and f"would be left out: {because}; 4 readings of a point" in text for text in problems)


def test_a_limit_nobody_would_keep_is_refused(tmp_path: Path) -> None:
    """Where instruments do it all, no person is asked to act in time."""
    device, bench = new(tmp_path)
    text = bench.read_text(encoding="utf-8")
    assert "resolution =" in text
    bench.write_text(text.replace("resolution =", 'longest_on = "30 s", resolution =', 1), encoding="utf-8")
    with pytest.raises(UserError, match="longest_on, expected it of the reference, where a person reads it"):
        load_inputs(device, bench, "turns_check", Options())


def test_a_hold_is_planned_with_what_it_takes_to_plug_in_and_unplug(tmp_path: Path) -> None:
    """A load that may be on for 610 s is not held for 600: half a minute goes by at the plug."""
    inputs = hand(tmp_path, "endurance", Options(readings=1), ('"1 h"', '"610 s"'))
    _, links = worked(inputs)
    assert 5.9 not in longest(links)
    assert 3.3 in longest(links)


@procedure(title="Own", revision="1")
def many(device: Device, options: Options) -> Steps:
    """One point of more readings than a kettle may be on for."""
    yield Select(device.ranges[0])
    yield Apply(8.7)
    yield Observe("many", 2000, "single")
    yield Release()


def test_readings_on_links_end_with_the_time_of_the_load(tmp_path: Path) -> None:
    """Nobody types, so nobody is warned: the run itself looks at the time before every pair."""
    inputs = replace(wired(hand(tmp_path, "turns_check", Options()), "monitor"), procedure=many)
    twin, links = worked(inputs, Hands())
    assert 150 < longest(links)[8.7] <= 180
    assert [line["name"] for line in twin.record.of_kind("skip")] == ["many"]


@procedure(title="Own", revision="1")
def late(device: Device, options: Options) -> Steps:
    """A point that is begun when the time of the load is nearly over."""
    yield Select(device.ranges[0])
    yield Apply(8.7)
    yield Observe("first", 1, "single")
    yield Wait(150.0)
    yield Observe("late", 1, "single")
    yield Release()


def test_a_current_that_does_not_settle_is_not_waited_for_beyond_the_time_of_the_load(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It swings by 5 % once the point that is late has been begun: waiting for it to settle would take 20 s."""
    inputs = replace(wired(hand(tmp_path, "turns_check", Options()), "monitor"), procedure=late)
    twin = by(Hands(), inputs)
    links, measure, number = Watched(twin.bench), twin.bench.measure, itertools.count()

    def swinging(part: str, started: float | None = None) -> Measured:
        measured = measure(part, started)
        swings = links.on_for() > 120 and next(number) % 2
        return replace(measured, current=1.05 * measured.current) if swings else measured

    monkeypatch.setattr(twin.bench, "measure", swinging)
    twin.links = links
    twin.run()
    assert 150 < longest(links)[8.7] <= 180
    assert [line["name"] for line in twin.record.of_kind("skip")] == ["late"]


@procedure(title="Own", revision="1")
def waits(device: Device, options: Options) -> Steps:
    """A wait that the load bears."""
    yield Select(device.ranges[0])
    yield Apply(8.7)
    yield Wait(100.0)
    yield Observe("after", 1, "single")
    yield Release()


def test_what_a_computer_slept_through_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its running clock stood still for ten minutes (Linux, macOS) and the kettle was on: the time of day tells."""
    inputs = replace(hand(tmp_path, "turns_check", Options()), procedure=waits)
    twin = by(Hands(), inputs)
    links, wall = Watched(twin.bench), twin.clock.wall
    slept: list[float] = []

    def of_day() -> dt.datetime:
        if not slept and links.on_for() > 60:
            slept.append(600.0)
        return wall() + dt.timedelta(seconds=sum(slept))

    monkeypatch.setattr(twin.clock, "wall", of_day)
    twin.links = links
    twin.run()
    assert 60 < longest(links)[8.7] < 70
    (wait,) = twin.record.of_kind("wait")
    assert wait["cut"] == "kettle may be on for 3 min at a time (longest_on)"


@procedure(title="Own", revision="1")
def two_loads(device: Device, options: Options) -> Steps:
    """A kettle, then another load."""
    yield Select(device.ranges[0])
    yield Apply(8.7)
    yield Observe("kettle", 1, "single")
    yield Apply(5.9)
    yield Observe("heater", 1, "single")
    yield Release()


def test_a_load_that_has_been_read_is_only_unplugged_when_its_time_is_nearly_over(tmp_path: Path) -> None:
    """What comes next is another load: there is nothing to cool down for, and nothing to ask."""
    inputs = replace(hand(tmp_path, "turns_check", Options()), procedure=two_loads)

    def slow(text: str, number: int, right: str) -> None:
        if "kettle, values typed:" in text and hands.twin is not None:
            hands.twin.clock.sleep(155.0)

    hands = Hands(slow)
    twin, links = worked(inputs, hands)
    assert 150 < longest(links)[8.7] <= 180
    assert not any("Let the load cool down" in text for text in hands.prompts)
    assert list(twin.record.of_kind("skip")) == []


@pytest.mark.parametrize("seconds", [62, 63])
def test_the_time_a_point_needs_is_told_where_it_is_left_out(tmp_path: Path, seconds: int) -> None:
    """Plugged in and unplugged 15 s each, 4 readings of two values of 4 s each, two refreshes of 0.1 s: 62.2 s.

    The times of a person are common practice, no published source.
    """
    inputs = hand(tmp_path, "current_ratio", Options(), ('longest_on = "3 min"', f'longest_on = "{seconds} s"'))
    told = rehearsal_of(inputs, StopSignal()).problems
    assert seconds_needed(inputs.device, inputs.bench, 4) == pytest.approx(62.2)
    if seconds == 63:
        assert told == ()
    else:
        assert told == (
            "x1 up 8.7 A, x4 up 8.7 A would be left out: kettle may be on for 62 s at a time (longest_on); 4 readings of a point "
            "take about 1 min 2 s. Use --readings 3 or a smaller load, never a longer time than its manual permits",
        )
        assert rehearsal_of(replace(inputs, options=Options(readings=3)), StopSignal()).problems == ()


def test_the_first_point_of_a_range_needs_its_check_reading_too(tmp_path: Path) -> None:
    """8 s more."""
    cooker = 'name = "slow cooker", current = "0.85 A", longest_on = '
    inputs = hand(tmp_path, "current_ratio", Options(), (f'{cooker}"2 h"', f'{cooker}"63 s"'))
    (told,) = rehearsal_of(inputs, StopSignal()).problems
    assert told.startswith("x1 up 0.85 A would be left out: ")
    assert "4 readings of a point and the check reading before take about 1 min 10 s. Use --readings 3 or " in told
    assert rehearsal_of(replace(inputs, options=Options(readings=3)), StopSignal()).problems == ()
