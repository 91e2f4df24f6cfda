"""Loads off a shelf: never on for longer than they may be, first read where they can hurt nothing, a switch forgotten."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.inputs import Inputs, load_inputs
from harness.commands.new import BENCH_BY_HAND, new
from harness.commands.rehearsal import rehearse
from harness.commands.twin import TwinLinks
from harness.errors import AbortedSafe
from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, Wait, procedure
from harness.stop import StopSignal
from instruments.person import ConsolePerson, Overdue, Question
from simulated.bench import SimulatedBench
from tests.hands import Hands, by
from tests.harness.test_harness_runner import by_person
from tests.on_twin import TwinRun


def hand(folder: Path, asked: str, options: Options, *changes: tuple[str, str]) -> Inputs:
    """The hand bench as it is shipped, with parts of its text changed."""
    device, bench = new(folder, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    for was, becomes in changes:
        assert was in text
        text = text.replace(was, becomes)
    bench.write_text(text, encoding="utf-8")
    return load_inputs(device, bench, asked, options)


class Watched(TwinLinks):
    """Notes for how long every load was on, and on which range the reference stood when it was plugged in."""

    def __init__(self, bench: SimulatedBench, draws: Callable[[float], float] = lambda current: current) -> None:
        super().__init__(bench)
        self._bench, self._draws = bench, draws
        self._plugged: tuple[float, float] | None = None
        self.full_scale = 0.0
        self.on: list[tuple[float, float]] = []
        self.plugged_in: list[tuple[float, float]] = []

    def plug(self, current: float) -> None:
        now = self._bench.clock.now()
        if current:
            self.plugged_in.append((current, self.full_scale))
            self._plugged = current, now
        elif self._plugged is not None:
            self.on.append((self._plugged[0], now - self._plugged[1]))
            self._plugged = None
        super().plug(self._draws(current))

    def turn_reference(self, full_scale: float) -> None:
        self.full_scale = full_scale
        super().turn_reference(full_scale)


def longest(links: Watched) -> dict[float, float]:
    return {current: max(seconds for c, seconds in links.on if c == current) for current, _ in links.on}


def may_be_on(inputs: Inputs) -> dict[float, float]:
    return {load.current: load.longest_on for load in inputs.bench.entry("load").shelf}


def worked(inputs: Inputs, hands: Hands | None = None, *faults: str) -> tuple[TwinRun, Watched]:
    twin = by(hands or Hands(), inputs, *faults)
    links = Watched(twin.bench)
    twin.links = links
    twin.run()
    return twin, links


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
    told = rehearse(inputs, StopSignal())
    assert told.problems == ()
    assert len(told.notes) == 3
    assert "x1: 8.7 A for 3 min" in told.notes[0]
    assert "kettle may be on for 4 min at a time (longest_on)" in told.notes[0]
    twin, links = worked(inputs)
    assert all(seconds <= may_be_on(inputs)[c] for c, seconds in longest(links).items())
    assert 150 < longest(links)[8.7] <= 240
    assert all(3 <= rng.endurance.points < 11 for rng in twin.results().ranges if rng.endurance is not None)


def test_a_hold_that_is_not_possible_stands_in_the_way(tmp_path: Path) -> None:
    inputs = hand(
        tmp_path,
        "endurance",
        Options(readings=1),
        *((f'"{h} h"', '"100 s"') for h in (8, 2, 1)),
        ('"3 min"', '"100 s"'),
    )
    problems = rehearse(inputs, StopSignal()).problems
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
    hands = Hands(lambda text, *_: "leave out" if "Let the load cool down" in text else None)
    twin, links = worked(inputs, hands)
    assert longest(links)[8.7] <= 180
    skipped = {line["name"]: line["reason"] for line in twin.record.of_kind("skip")}
    assert {"after an hour", "many"} <= skipped.keys()
    assert set(skipped.values()) == {"kettle may be on for 3 min at a time (longest_on)"}
    assert any("many is not finished. Let the load cool down" in p for p in hands.prompts)


def test_a_point_that_took_too_long_can_be_taken_anew(tmp_path: Path) -> None:
    """Somebody answers the telephone in the middle of a point: unplugged, cooled down, and read once more."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=2, per_decade=1))
    away: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        assert hands.twin is not None
        if "Let the load cool down" in text:
            assert not hands.twin.bench.truth().load_on
            return "again"
        if "monitor shows" in text and float(right) > 8 and "reading 1 of 2" in hands.shown[-1] and not away:
            hands.twin.clock.sleep(170)
            away.append(text)
        return None

    hands = Hands(slip)
    twin, _ = worked(inputs, hands)
    assert away
    assert any("may be on for 3 min" in p and "Let the load cool down" in p for p in hands.prompts)
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons


@pytest.mark.parametrize("when", ["is tried out", "reading 1 of 2"])
def test_whoever_unplugs_it_when_told_is_asked_how_to_go_on(tmp_path: Path, when: str) -> None:
    """Warned while a value is asked for, at the first look at a range and in a point: nothing is read off a load that is off."""
    inputs = hand(tmp_path, "turns_check", Options(readings=2))
    warned: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "multimeter shows" in text and when in hands.shown[-1] and not warned:
            person = hands.twin.person if hands.twin is not None else None
            assert isinstance(person, ConsolePerson)
            person._warn("NOW")
            warned.append(text)
            return ""
        return "again" if "Let the load cool down" in text else None

    hands = Hands(slip)
    twin, _ = worked(inputs, hands)
    assert any("is not finished. Let the load cool down" in p for p in hands.prompts)
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons


def test_whoever_is_asked_is_told_when_the_time_is_over() -> None:
    """The question that is open cannot be taken back; the warning comes all the same, and not once it is unplugged."""
    shown: list[str] = []
    told = threading.Event()

    def show(text: str) -> None:
        shown.append(text)
        told.set()

    typed = iter(["", "", "1.5"])
    person = ConsolePerson(lambda _: next(typed) if told.wait(10) else "", show)
    question = Question("monitor shows", "meter", 0.1)
    person.warn_after(0.01, "NOW: unplug it.")
    with pytest.raises(Overdue):
        person.read_value(question)
    assert "NOW: unplug it." in shown[0]
    person.warn_after(0, "")
    assert person.read_value(question) == (1.5, "1.5")
    told.clear()
    person.warn_after(0.05, "never")
    person.warn_after(0, "")
    assert not told.wait(0.2)


def test_a_load_never_seen_is_first_read_on_the_largest_range(tmp_path: Path) -> None:
    """Only when it has been read there is the reference, with the supply disconnected, put on a smaller range."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2))
    hands = Hands()
    twin, links = worked(inputs, hands)
    first = dict(reversed(links.plugged_in))
    assert set(first.values()) == {10.0}
    assert {scale for current, scale in links.plugged_in if current == 0.044} == {10.0, 0.4}
    assert twin.results().verdict == "pass", twin.results().reasons
    looked = [line["current"] for line in twin.record.of_kind("look")]
    assert sorted(looked) == [0.044, 0.23]
    prompts = [line["text"] for line in twin.record.of_kind("prompt")]
    assert sum("Prove dead" in text for text in prompts) == sum("Prove dead" in text for text in hands.prompts) > 0
    # To read that nothing flows no wiring is changed.
    assert {line["reference_scale"] for line in twin.record.of_kind("point") if line["name"] == "x1 zero"} == {10.0}


def test_an_appliance_left_on_a_higher_stage_meets_the_largest_range(tmp_path: Path) -> None:
    """5.9 A where 44 mA were asked for: read on 10 A, and the 400 mA range is never turned to."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1))
    twin = by(Hands(), inputs)
    links = Watched(twin.bench, lambda current: 5.9 if current == 0.044 else current)
    twin.links = links
    with pytest.raises(AbortedSafe, match="look at the wiring"):
        twin.run()
    assert links.plugged_in[-1] == (0.044, 10.0)
    assert not twin.bench.truth().load_on


def test_a_load_on_a_link_is_first_read_there_too(tmp_path: Path) -> None:
    """A person reads the reference of a bench whose load is set over a link."""
    inputs = by_person(load_inputs(*new(tmp_path), "current_ratio", Options(readings=1, per_decade=1)), "multimeter")
    twin = by(Hands(), inputs)
    twin.run()
    scales = [line["scale"] for line in twin.record.of_kind("look")]
    assert scales == [inputs.bench.entry("reference").ranges[-1].full_scale]


class Forgetful(Hands):
    """Turns the switch, but for so many times beyond x1 only halfway: the monitor shows nothing."""

    def __init__(self, inputs: Inputs, often: int, answers: dict[str, str]) -> None:
        super().__init__(self._forgets)
        self.run = by(self, inputs)
        self.live: list[bool] = []
        self._left, self._halfway, self._answers = often, False, answers

    def _forgets(self, text: str, number: int, right: str) -> str | None:
        if "Turn the range switch" in text:
            self._halfway = "x1." not in text and self._left > 0
            self._left -= self._halfway
        if "Does the switch stand at" in text:
            self.live.append(self.run.bench.truth().load_on)
        if "monitor shows" in text and self._halfway:
            return "0.000"
        return next((answer for asked, answer in self._answers.items() if asked in text), None)


def test_a_forgotten_switch_is_asked_about_and_costs_no_point(tmp_path: Path) -> None:
    """With the load off, so that it may be turned at once; what was answered is in the record."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2))
    hands = Forgetful(inputs, 1, {"Does the switch stand at": "again"})
    twin = hands.run
    twin.run()
    assert hands.live == [False]
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons
    asked = [line for line in twin.record.of_kind("prompt") if "Does the switch stand at x4?" in line["text"]]
    assert [line["answer"] for line in asked] == ["again"]


def test_after_two_silent_ranges_the_first_answer_is_to_stop(tmp_path: Path) -> None:
    inputs = hand(tmp_path, "turns_check", Options(readings=1))
    hands = Forgetful(inputs, 99, {"Two ranges read nothing": "stop"})
    with pytest.raises(AbortedSafe, match="stopped by the operator at a prompt"):
        hands.run.run()
    switch, second, secondary = (p for p in hands.prompts if "go on" in p)
    assert "again / stop / go on" in switch
    assert "stop / again / go on" in second
    assert "lock it off and prove it dead" in secondary
    assert secondary.endswith("stop / go on: ")
    assert not hands.run.bench.truth().load_on


@procedure(title="Own", revision="1")
def twice(device: Device, options: Options) -> Steps:
    """Two points at one current, the load left on between them."""
    yield Select(device.ranges[0])
    yield Apply(0.3)
    yield Observe("first", 1, "single")
    yield Observe("second", 1, "single")
    yield Release()


@pytest.mark.parametrize(("cold", "warm"), [("0.320", "0.300"), ("0.302", "0.315")])
def test_no_range_of_a_multimeter_is_changed_while_its_load_is_on(tmp_path: Path, cold: str, warm: str) -> None:
    """A lamp draws another current when warm, which by itself would ask for another range: its jack is at line potential."""
    lamp = ('{ name = "two lamps", current = "0.46 A"', '{ name = "two lamps", current = "0.3 A"')
    inputs = replace(hand(tmp_path, "turns_check", Options(), lamp), procedure=twice)
    live: list[str] = []
    looks = iter([cold, *[warm] * 9])

    def slip(text: str, _: int, right: str) -> str | None:
        assert hands.twin is not None
        if "Set multimeter" in text and hands.twin.bench.truth().load_on:
            live.append(text)
        if "multimeter shows" in text and 0.25 < hands.twin.bench.read_reference() < 0.35:
            return next(looks)
        return None

    hands = Hands(slip)
    twin, _ = worked(inputs, hands)
    assert [line["name"] for line in twin.record.of_kind("point")] == ["first", "second"]
    assert not live
