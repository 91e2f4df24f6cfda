"""Loads off a shelf: never on for longer than they may be, first read where they can hurt nothing, a switch forgotten."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.core.errors import AbortedSafe, UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearse
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks
from harness.run.time_on import seconds_needed
from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, Wait, procedure
from instruments.operator.person import ConsolePerson, Overdue, Question
from simulated.bench import SimulatedBench
from simulated.physics.observers import Measured
from tests.hands import Hands, by
from tests.harness.run.test_runner import by_person
from tests.on_twin import TwinRun


def hand(folder: Path, asked: str, options: Options, *changes: tuple[str, str]) -> RunInputs:
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

    def on_for(self) -> float:
        return 0.0 if self._plugged is None else self._bench.clock.now() - self._plugged[1]

    def turn_reference(self, full_scale: float) -> None:
        self.full_scale = full_scale
        super().turn_reference(full_scale)


def wired(inputs: RunInputs, *others: str) -> RunInputs:
    """The same bench with its multimeter, and `others`, on a link: whoever plugs the loads in types nothing."""
    entries, profiles = dict(inputs.bench.instruments), {"multimeter": "scpi_multimeter", "monitor": "modbus_meter"}
    for port, name in enumerate(("multimeter", *others), 15026):
        profile = profiles[name]
        address = f"{'modbus-tcp://127.0.0.1:' if profile.startswith('modbus') else 'TCPIP::127.0.0.1::'}{port}"
        address += "" if profile.startswith("modbus") else "::SOCKET"
        entries[name] = entries[name].model_copy(update={"profile": profile, "address": address})
    return replace(inputs, bench=inputs.bench.model_copy(update={"instruments": entries}))


def longest(links: Watched) -> dict[float, float]:
    return {current: max(seconds for c, seconds in links.on if c == current) for current, _ in links.on}


def may_be_on(inputs: RunInputs) -> dict[float, float]:
    return {load.current: load.longest_on for load in inputs.bench.entry("load").shelf}


def worked(inputs: RunInputs, hands: Hands | None = None, *faults: str) -> tuple[TwinRun, Watched]:
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
    (cut, *others) = [note for note in told.notes if not note.startswith("not used: ")]
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


class Leisurely(Hands):
    """Plugs in as soon as that is asked for and says so later; `slow` gives for a prompt how many seconds later.

    `on` are the seconds from the question until it was said that nothing is plugged in, by what was plugged in.
    """

    def __init__(
        self, slow: Callable[[str], float], slip: Callable[[str, int, str], str | None] = lambda *_: None
    ) -> None:
        super().__init__(slip)
        self.slow, self.on = slow, list[tuple[str, float]]()
        self._plugged: tuple[str, float] | None = None

    @property
    def plugged(self) -> str:
        return "" if self._plugged is None else self._plugged[0]

    def ask(self, text: str) -> str:
        assert self.twin is not None
        began = self.twin.clock.now()
        if "Plug in:" in text:
            self._plugged = text.split("Plug in: ")[1].split(" (")[0], began
        self.twin.clock.sleep(self.slow(text))
        answer = super().ask(text)
        if "unplugged / cannot" in text and self._plugged is not None:
            self.on.append((self._plugged[0], self.twin.clock.now() - self._plugged[1]))
            self._plugged = None
        return answer


def test_time_on_is_counted_from_the_question_to_plug_in(tmp_path: Path) -> None:
    """Nobody knows how long the kettle has been on when "done" is typed at last."""
    inputs = replace(hand(tmp_path, "turns_check", Options()), procedure=stays)
    hands = Leisurely(
        lambda text: 60.0 if "Plug in: kettle" in text else 0.0,
        lambda text, *_: "leave out" if "Let the load cool down" in text else None,
    )
    worked(inputs, hands)
    kettle = [seconds for name, seconds in hands.on if name == "kettle"]
    assert kettle
    assert max(kettle) <= 180
    asked = [text for text in hands.prompts if "Plug in: kettle" in text]
    assert all("kettle may be on for 3 min from now" in text for text in asked)


def test_whoever_fetches_the_kettle_first_is_in_no_hurry(tmp_path: Path) -> None:
    """Two minutes of searching, at a question that energises nothing: every point is read, and nothing asked again."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=4, per_decade=1))
    hands = Leisurely(lambda text: 120.0 if "Fetch: kettle" in text else 20.0 if "Plug in:" in text else 0.0)
    twin, _ = worked(inputs, hands)
    assert any(name == "kettle" for name, _ in hands.on)
    assert not any("Let the load cool down" in text for text in hands.prompts)
    assert not any("Fetch: lamp" in text for text in hands.prompts)
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons


@pytest.mark.parametrize("late", [100.0, 170.0, 400.0])
def test_plugged_in_too_late_is_one_question_and_the_run_goes_on(tmp_path: Path, late: float) -> None:
    """Half of the time over before it is said to be on: unplug, let it cool down, again; late once more, it is asked once more."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=2, per_decade=1))
    times = iter([late, late])
    hands = Leisurely(
        lambda text: next(times, 0.0) if "Plug in: kettle" in text else 0.0,
        lambda text, *_: "again" if "Let the load cool down" in text else None,
    )
    twin, _ = worked(inputs, hands)
    asked = [text for text in hands.prompts if "Let the load cool down" in text]
    assert len(asked) == 2
    assert "counted from the question to switch it on" in asked[0]
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons


def test_late_again_when_a_point_is_taken_anew_loses_no_point(tmp_path: Path) -> None:
    """Called away in the middle of a point, and once more at the plug: the procedure is given its point or why it has none."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=2, per_decade=1))
    away: list[str] = []

    def slow(text: str) -> float:
        in_a_point = "monitor shows" in text and "reading 1 of 2" in hands.shown[-1] and hands.plugged == "kettle"
        if (in_a_point and not away) or ("Plug in: kettle" in text and len(away) == 1):
            away.append(text)
            return 170.0
        return 0.0

    hands = Leisurely(slow, lambda text, *_: "again" if "Let the load cool down" in text else None)
    twin, _ = worked(inputs, hands)
    assert len(away) == 2
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons


def test_whoever_is_warned_before_saying_that_it_is_on_is_asked_how_to_go_on(tmp_path: Path) -> None:
    """The warning asks for Enter, also while it is asked whether the load is on."""
    inputs = hand(tmp_path, "turns_check", Options(readings=2))
    warned: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "Plug in: heater, low" in text and not warned:
            assert hands.twin is not None
            person = hands.twin.person
            assert isinstance(person, ConsolePerson)
            person._warn("NOW")
            warned.append(text)
            return ""
        return "again" if "Let the load cool down" in text else None

    hands = Hands(slip)
    twin, _ = worked(inputs, hands)
    assert warned
    assert any("heater, low may be on for 2 h" in text and "Let the load cool down" in text for text in hands.prompts)
    assert twin.results().verdict == "pass", twin.results().reasons


AMPERES_FOR_SECONDS = ('"10 A", of_reading', '"10 A", longest_on = "{}", of_reading')


def limited(seconds: str) -> tuple[str, str]:
    """A change of the hand bench: the 10 A range of its multimeter may carry current for so long."""
    return AMPERES_FOR_SECONDS[0], AMPERES_FOR_SECONDS[1].format(seconds)


def test_a_range_of_the_multimeter_that_bears_its_current_for_a_minute_ends_a_point_too(tmp_path: Path) -> None:
    """The smaller of the two counts, and the person is told which; a range without a limit has none."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1, per_decade=1), limited("60 s"))
    assert rehearse(inputs, StopSignal()).problems == ()
    hands = Leisurely(lambda _: 0.0)
    twin, _ = worked(inputs, hands)
    assert hands.on
    asked = [text for text in hands.prompts if "Plug in:" in text]
    on_largest = [text for text in asked if "multimeter may carry current on its 10 A range for 60 s from now" in text]
    assert any("kettle" in text for text in on_largest)
    assert any("lamp may be on for 8 h from now" in text for text in asked)
    assert max(seconds for name, seconds in hands.on if name == "kettle") <= 60
    assert twin.results().verdict == "pass", twin.results().reasons


def test_a_range_that_bears_its_current_for_too_short_a_time_is_told_at_the_rehearsal(tmp_path: Path) -> None:
    """30 s are no time to plug in, read twice and unplug; the certificate's checks know the reason."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=4, per_decade=1), limited("30 s"))
    problems = rehearse(inputs, StopSignal()).problems
    because = "multimeter may carry current on its 10 A range for 30 s at a time (longest_on)"
    assert any("8.7 A" in text and f"would be left out: {because}; 4 readings of a point" in text for text in problems)


def test_a_person_with_a_load_on_a_link_is_warned_of_the_range(tmp_path: Path) -> None:
    """Called away while amperes flow through the jack: the warning says what to press, and the load is then off."""
    device, bench = new(tmp_path)
    inputs = by_person(load_inputs(device, bench, "turns_check", Options(readings=2)), "multimeter")
    entries = dict(inputs.bench.instruments)
    ranges = tuple(r.model_copy(update={"longest_on": 60.0}) for r in entries["multimeter"].ranges)
    entries["multimeter"] = entries["multimeter"].model_copy(update={"ranges": ranges})
    inputs = replace(inputs, bench=inputs.bench.model_copy(update={"instruments": entries}))
    told: list[tuple[float, str]] = []
    off: list[bool] = []

    class Warnable(ConsolePerson):
        def warn_after(self, seconds: float, text: str) -> None:
            super().warn_after(0, "")
            told.append((seconds, text))

    def slip(text: str, number: int, right: str) -> str | None:
        assert hands.twin is not None
        if "Let the load cool down" in text:
            off.append(not hands.twin.bench.truth().load_on)
            return "again"
        if "multimeter shows" in text and "reading 1 of 2" in hands.shown[-1] and not off:
            person._warned.set()
            return ""
        return None

    hands = Hands(slip)
    twin = by(hands, inputs)
    person = Warnable(hands.ask, hands.shown.append, hands.ask)
    twin.person = person
    twin.run()
    assert off == [True]
    assert (60.0, True) in [
        (seconds, text.endswith("Press Enter: the load is switched off.")) for seconds, text in told
    ]
    assert told[-1] == (0, "")
    assert list(twin.record.of_kind("skip")) == []


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
    twin, links = worked(inputs, Hands(lambda text, *_: "leave out" if "Let the load cool down" in text else None))
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
    twin = by(Hands(lambda text, *_: "leave out" if "Let the load cool down" in text else None), inputs)
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


@pytest.mark.parametrize("when", ["Check reading on", "reading 1 of 2"])
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


def test_a_reference_on_a_link_takes_a_load_never_seen_on_its_largest_range(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It goes down by itself once the load has been read, and stands there when the same load comes again."""
    twin = by(Hands(), wired(hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2))))
    stood: dict[float, list[float]] = {}
    configured, configure = [0.0], twin.bench.configure

    def noted(part: str, expected: float) -> None:
        configured.append(expected)
        configure(part, expected)

    monkeypatch.setattr(twin.bench, "configure", noted)

    class Standing(TwinLinks):
        def plug(self, current: float) -> None:
            stood.setdefault(current, []).append(configured[-1])
            super().plug(current)

    twin.links = Standing(twin.bench)
    twin.run()
    del stood[0.0]
    assert {scales[0] for scales in stood.values()} == {10.0}
    assert stood[0.044][-1] == 0.4


class Forgetful(Hands):
    """Turns the switch, but for so many times beyond x1 only halfway: the monitor shows nothing."""

    def __init__(self, inputs: RunInputs, often: int, answers: dict[str, str]) -> None:
        super().__init__(self._forgets)
        self.run = by(self, inputs)
        self.live: list[bool] = []
        self._left, self._halfway, self._answers = often, False, answers

    def _forgets(self, text: str, number: int, right: str) -> str | None:
        if "Turn the range switch" in text:
            self._halfway = "x1." not in text and self._left > 0
            self._left -= self._halfway
        if "Is the switch in position" in text:
            self.live.append(self.run.bench.truth().load_on)
        if "monitor shows" in text and self._halfway:
            return "0.000"
        return next((answer for asked, answer in self._answers.items() if asked in text), None)


def test_a_forgotten_switch_is_asked_about_and_costs_no_point(tmp_path: Path) -> None:
    """With the load off, so that it may be turned at once; what was answered is in the record."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2))
    hands = Forgetful(inputs, 1, {"Is the switch in position": "again"})
    twin = hands.run
    twin.run()
    assert hands.live == [False]
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons
    asked = [line for line in twin.record.of_kind("prompt") if "Is the switch in position x4?" in line["text"]]
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


@pytest.mark.parametrize(("times", "asked_again"), [(1.4, False), (1.7, True), (0.6, False), (0.4, True)])
def test_a_current_typed_is_doubted_from_half_as_much_again(tmp_path: Path, times: float, asked_again: bool) -> None:
    """What is written on a load is only roughly what it draws: half as much more or less is taken as it is typed (a judgement)."""
    slipped: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "multimeter shows" not in text or slipped:
            return None
        slipped.append(right)
        return f"{times * float(right.replace(',', '.').removesuffix(' mA')):.0f} mA"

    hands = Hands(slip)
    by(hands, hand(tmp_path, "turns_check", Options(readings=2))).run()
    assert any("is far from the 850 mA expected" in line for line in hands.shown) == asked_again


@pytest.mark.parametrize("seconds", [62, 63])
def test_the_time_a_point_needs_is_told_where_it_is_left_out(tmp_path: Path, seconds: int) -> None:
    """Plugged in and unplugged 15 s each, 4 readings of two values of 4 s each, two refreshes of 0.1 s: 62.2 s.

    The times of a person are common practice, no published source.
    """
    inputs = hand(tmp_path, "current_ratio", Options(), ('longest_on = "3 min"', f'longest_on = "{seconds} s"'))
    told = rehearse(inputs, StopSignal()).problems
    assert seconds_needed(inputs.device, inputs.bench, 4) == pytest.approx(62.2)
    if seconds == 63:
        assert told == ()
    else:
        assert told == (
            "x1 up 8.7 A, x4 up 8.7 A would be left out: kettle may be on for 62 s at a time (longest_on); 4 readings of a point "
            "take about 1 min 2 s. Use --readings 3 or a smaller load, never a longer time than its manual permits",
        )
        assert rehearse(replace(inputs, options=Options(readings=3)), StopSignal()).problems == ()


def test_the_first_point_of_a_range_needs_its_check_reading_too(tmp_path: Path) -> None:
    """8 s more."""
    lamp = 'name = "lamp", current = "0.23 A", longest_on = '
    inputs = hand(tmp_path, "current_ratio", Options(), (f'{lamp}"8 h"', f'{lamp}"63 s"'))
    (told,) = rehearse(inputs, StopSignal()).problems
    assert told.startswith("x4 up 0.23 A would be left out: ")
    assert "4 readings of a point and the check reading before take about 1 min 10 s. Use --readings 3 or " in told
    assert rehearse(replace(inputs, options=Options(readings=3)), StopSignal()).problems == ()


def test_a_load_that_must_not_be_plugged_in_is_named_and_stops_nothing(tmp_path: Path) -> None:
    """Above the maximum test current (9.09 A of a 10 A range) or above every claim: both alike, and never asked for."""
    oven = (
        '{ name = "kettle", current = "8.7 A"',
        '{ name = "oven", current = "90 A" },\n  { name = "kettle", current = "9.6 A"',
    )
    inputs = hand(tmp_path, "current_ratio", Options(readings=1), oven)
    told = rehearse(inputs, StopSignal())
    assert told.problems == ()
    named = [note for note in told.notes if note.startswith("DO NOT PLUG IN ")]
    assert [note.split(": ")[0] for note in named] == ["DO NOT PLUG IN oven", "DO NOT PLUG IN kettle"]
    assert (
        "9.6 A is above the maximum test current of 9.091 A on range x1, set by largest range of the reference"
        in named[1]
    )
    assert "not used: small lamp (12 mA): below the smallest current of every range" in told.notes
    _, links = worked(inputs)
    assert {9.6, 90.0}.isdisjoint(current for current, _ in links.plugged_in)


def test_a_shelf_with_nothing_to_plug_in_is_refused(tmp_path: Path) -> None:
    inputs = hand(tmp_path, "current_ratio", Options(), ('full_scale = "10 A"', 'full_scale = "0.5 A"'))
    shelf = [load.model_copy(update={"current": 1.0 + load.current}) for load in inputs.bench.entry("load").shelf]
    entries = dict(inputs.bench.instruments)
    entries["shelf"] = entries["shelf"].model_copy(update={"shelf": tuple(shelf)})
    inputs = replace(inputs, bench=inputs.bench.model_copy(update={"instruments": entries}))
    with pytest.raises(
        UserError, match=r"no load on the shelf may be plugged in: 1\.012 A is above the maximum test current"
    ):
        rehearse(inputs, StopSignal())
