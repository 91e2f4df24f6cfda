"""A person who is late, called away or warned while a load is on: asked how to go on, and no point is lost."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.core.errors import AbortedSafe
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options
from instruments.errors import LinkError
from instruments.links.link import Link
from instruments.operator.person import ConsolePerson, Overdue
from instruments.operator.plausibility import Question
from tests.altered_links import AlteredLinks
from tests.by_person import by_person
from tests.hands import Hands, by
from tests.harness.run.shelf import hand, wired, worked
from tests.harness.run.test_time_on import limited, stays


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


class WarnedOnce(Hands):
    """Warned at the first prompt that is `due` presses Enter, and repeats the point once the load has cooled down."""

    def __init__(self, due: Callable[[str], bool]) -> None:
        super().__init__(lambda text, *_: "again" if "Let the load cool down" in text else None)
        self.due, self.warned = due, False

    def ask(self, text: str) -> str:
        answer = super().ask(text)
        if self.warned or not self.due(text):
            return answer
        person = self.twin.person if self.twin is not None else None
        assert isinstance(person, ConsolePerson)
        person._warn("NOW")
        self.warned = True
        return ""


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


@pytest.mark.parametrize("seconds", [81, 158, 361, 438])
def test_a_hold_whose_readings_are_typed_ends_with_the_time_of_its_load(tmp_path: Path, seconds: int) -> None:
    """Wherever that falls: the typing of every point counts, that of the first one too."""
    limits = [(f'longest_on = "{h} h"', f'longest_on = "{seconds} s"') for h in (8, 2, 1)]
    inputs = hand(tmp_path, "endurance", Options(hold=100), *limits, ('"3 min"', f'"{seconds} s"'))
    assert {load.longest_on for load in inputs.bench.entry("load").shelf} == {seconds}
    # `Hands` takes 10 s of the 15 for plugging in, none for unplugging, and 3 s of the 4 for a value.
    hands = Leisurely(
        lambda text: (
            14.9 if "unplugged / cannot" in text else 5.0 if "Plug in:" in text else 1.0 if "shows" in text else 0.0
        )
    )
    twin, _ = worked(inputs, hands)
    assert [line for line in twin.record.of_kind("skip") if line["direction"] == "hold"]
    assert max(on for _, on in hands.on) <= seconds


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
    hands = WarnedOnce(lambda text: "Plug in: heater, low" in text)
    twin, _ = worked(inputs, hands)
    assert hands.warned
    assert any("heater, low may be on for 2 h" in text and "Let the load cool down" in text for text in hands.prompts)
    assert twin.results().verdict == "pass", twin.results().reasons


def test_a_range_of_the_multimeter_that_bears_its_current_for_a_minute_ends_a_point_too(tmp_path: Path) -> None:
    """The smaller of the two counts, and the person is told which; a range without a limit has none."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1, per_decade=1), limited("60 s"))
    assert rehearsal_of(inputs, StopSignal()).problems == ()
    hands = Leisurely(lambda _: 0.0)
    twin, _ = worked(inputs, hands)
    assert hands.on
    asked = [text for text in hands.prompts if "Plug in:" in text]
    on_largest = [text for text in asked if "multimeter may carry current on its 10 A range for 60 s from now" in text]
    assert any("kettle" in text for text in on_largest)
    assert any("lamp may be on for 8 h from now" in text for text in asked)
    assert max(seconds for name, seconds in hands.on if name == "kettle") <= 60
    assert twin.results().verdict == "pass", twin.results().reasons


def test_the_hand_bench_as_it_is_shipped_spares_the_jack_for_amperes(tmp_path: Path) -> None:
    """A jack that carries amperes for a time is common practice, no published source: two minutes, and every point is read."""
    inputs = load_inputs(*new(tmp_path, BENCH_BY_HAND), "current_ratio", Options(readings=4, per_decade=1))
    hands = Leisurely(lambda text: 10.0 if "Plug in:" in text else 0.0)
    twin, _ = worked(inputs, hands)
    asked = [text for text in hands.prompts if "Plug in: kettle" in text]
    assert asked
    assert all("multimeter may carry current on its 10 A range for 2 min from now" in text for text in asked)
    assert max(seconds for name, seconds in hands.on if name == "kettle") <= 120
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons


def _read_by_a_person(folder: Path, seconds: float = 60.0) -> RunInputs:
    """A load on a link, and a multimeter a person reads, whose ranges may carry current for so long."""
    device, bench = new(folder)
    inputs = by_person(load_inputs(device, bench, "turns_check", Options(readings=2)), "multimeter")
    return _for(inputs, lambda _: seconds)


def _for(inputs: RunInputs, longest_on: Callable[[float], float]) -> RunInputs:
    """The same bench, the ranges of its multimeter for so many seconds each, by full scale."""
    entries = dict(inputs.bench.instruments)
    ranges = tuple(r.model_copy(update={"longest_on": longest_on(r.full_scale)}) for r in entries["multimeter"].ranges)
    entries["multimeter"] = entries["multimeter"].model_copy(update={"ranges": ranges})
    return replace(inputs, bench=inputs.bench.model_copy(update={"instruments": entries}))


class Warnable(ConsolePerson):
    """Notes what it is to be warned of, and is not."""

    def __init__(self, hands: Hands) -> None:
        super().__init__(hands.ask, hands.shown.append, hands.ask)
        self.told: list[tuple[float, str]] = []
        self.over: Callable[[], None] | None = None

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        super().warn_after(0, "")
        self.told.append((seconds, text))
        self.over = over


def test_a_person_with_a_load_on_a_link_is_warned_of_the_range(tmp_path: Path) -> None:
    """Called away while amperes flow through the jack: the warning says what to press, and the load is then off.

    It comes 15 s before the time is over, since then the load is switched off without an answer.
    """
    off: list[bool] = []

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
    twin = by(hands, _read_by_a_person(tmp_path))
    twin.person = person = Warnable(hands)
    twin.run()
    assert off == [True]
    assert (45.0, True) in [
        (seconds, text.endswith("Press Enter: the load is switched off.")) for seconds, text in person.told
    ]
    assert person.told[-1] == (0, "")
    assert list(twin.record.of_kind("skip")) == []


def test_a_load_on_a_link_does_not_wait_for_whoever_is_away(tmp_path: Path) -> None:
    """The warning is not heard either: when the time is over the run ends itself, and the load is off."""

    def slip(text: str, number: int, right: str) -> str | None:
        if "multimeter shows" in text and "reading 1 of 2" in hands.shown[-1]:
            assert person.over is not None
            person.over()
        return None

    hands = Hands(slip)
    twin = by(hands, _read_by_a_person(tmp_path))
    twin.person = person = Warnable(hands)
    with pytest.raises(AbortedSafe, match=r"60 s at a time \(longest_on\), and no answer came; everything is off"):
        twin.run()
    assert not twin.bench.truth().load_on


def test_no_current_flows_through_a_range_that_bears_it_for_less_time_than_an_answer_takes(tmp_path: Path) -> None:
    """14 s, where whoever is warned has 15 s: the load is never switched on."""
    hands = Hands(lambda text, *_: "stop" if "Let the load cool down" in text else None)
    twin = by(hands, _read_by_a_person(tmp_path, 14.0))
    with pytest.raises(AbortedSafe, match="stopped by the operator"):
        twin.run()
    assert any("for 14 s at a time (longest_on)" in text for text in hands.prompts)
    assert [line for line in twin.record.of_kind("step") if line["step"] == "apply"] == []


def test_a_smaller_range_that_bears_current_for_less_long_is_warned_of_when_it_is_set(tmp_path: Path) -> None:
    """A load never seen is read on 10 A, then the multimeter goes down to 400 mA by itself, with the load on."""
    inputs = wired(hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2)))
    twin = by(hands := Hands(), _for(inputs, lambda scale: 600.0 if scale > 1 else 50.0))
    twin.person = person = Warnable(hands)
    twin.run()
    small = [seconds for seconds, text in person.told if "400 mA range for 50 s" in text]
    # Once the load is known it is plugged in on that range at once.
    assert max(small) == 50
    assert 0 < min(small) < 45


def test_a_load_switched_on_again_after_its_link_was_lost_is_warned_of_once_more(tmp_path: Path) -> None:
    """It was off for a moment, which cools nothing: what is left of the time counts on."""
    lost: list[str] = []

    def answer(link: Link, text: str) -> str:
        if text == "SOURce:CURRent?" and not lost:
            lost.append(text)
            twin.clock.sleep(7.0)
            link.close()
            raise LinkError("cut", instrument="source", address="here", command=text)
        return link.query(text)

    hands = Hands()
    twin = by(hands, _read_by_a_person(tmp_path))
    twin.links = AlteredLinks(twin.bench, "source", answer)
    twin.person = person = Warnable(hands)
    twin.run()
    first = next(n for n, (seconds, _) in enumerate(person.told) if seconds)
    assert [seconds > 0 for seconds, _ in person.told[first : first + 3]] == [True, False, True]
    assert 30 < person.told[first + 2][0] <= 45.0 - 7.0


def test_who_is_warned_and_does_not_answer_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("instruments.operator.person.SECONDS_TO_ACT", 0.01)
    shown: list[str] = []
    over = threading.Event()
    person = ConsolePerson(lambda _: "", shown.append)
    person.warn_after(0.01, "NOW", over.set)
    assert over.wait(10)
    assert "NOW" in shown[0]


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
    hands = WarnedOnce(lambda text: "multimeter shows" in text and when in hands.shown[-1])
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
