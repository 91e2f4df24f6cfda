"""Making safe: nothing that goes wrong beside it takes the further instruments' turn."""

import io
from dataclasses import dataclass, field

import pytest

from harness.core.clock import RealClock
from harness.record.journal import RecordWriter, parse_record
from harness.safety.safing import SafeState, make_all_safe, not_safe_message
from instruments.drivers.over_links import ScpiLoad
from instruments.profile import load_profile
from instruments.reading import Identity


@dataclass
class _Source:
    """An instrument that counts how often it was opened and made safe and says `answer`.

    It breaks off `broken` times before it takes its safe commands, and obeys only from the time after `deaf` times.
    """

    name: str
    answer: str = "off"
    address: str = "nowhere"
    made_safe: int = 0
    opened: int = 0
    broken: int = 0
    deaf: int = 0

    def open(self) -> None:
        self.opened += 1

    def identify(self) -> Identity:
        return Identity(self.name, "")

    def start(self) -> None: ...

    def make_safe(self) -> None:
        self.made_safe += 1
        if self.made_safe <= self.broken:
            raise OSError(f"broken off, {self.made_safe}")

    def confirm_safe(self) -> tuple[bool, str]:
        return self.made_safe > self.broken + self.deaf, self.answer

    def close(self) -> None: ...


def test_an_answer_that_cannot_be_written_keeps_nobody_from_being_made_safe() -> None:
    """Half of a surrogate pair is no text in UTF-8."""
    first, second = _Source("first", "\ud800"), _Source("second")
    writer = RecordWriter(io.BytesIO(), RealClock(), sync=False)
    states = make_all_safe({"first": first, "second": second}, ["first"], writer)
    assert [s.confirmed for s in states] == [True, True]
    assert second.made_safe == 1


@dataclass
class _Load:
    """The far end of a load's link, which obeys `OUTPut OFF` or does not."""

    obeys: bool
    on: bool = True
    said: list[str] = field(default_factory=list)

    def write(self, text: str) -> None:
        self.said.append(text)
        self.on = self.on and not (self.obeys and text == "OUTPut OFF")

    def read(self) -> str:
        return self.query("")

    def query(self, text: str) -> str:
        return str(int(self.on))

    def close(self) -> None: ...


def test_a_watchdog_stays_armed_until_the_load_is_seen_to_be_off() -> None:
    """A load that does not obey is what its own watchdog is for: no longer fed, it switches itself off."""
    profile = load_profile("scpi_load_watchdog")
    assert profile.watchdog is not None
    for obeys in (False, True):
        far = _Load(obeys)
        load = ScpiLoad("load", "nowhere", profile, lambda far=far: far, RealClock().now)
        load.open()
        states = make_all_safe({"load": load}, ["load"], attempts=1)
        assert states[0].confirmed is obeys
        assert (profile.watchdog.disarm[0] in far.said) is obeys


def test_nothing_moves_while_the_load_is_not_confirmed_off() -> None:
    """A relay's safe state may open the secondary: a guard that cannot get through to the load must not go on to it."""
    profile = load_profile("scpi_load")
    for obeys in (False, True):
        load, relay = _Load(obeys), _Load(obeys=True)
        instruments = {
            name: ScpiLoad(name, "nowhere", profile, lambda far=far: far, RealClock().now)
            for name, far in (("load", load), ("relay", relay))
        }
        for instrument in instruments.values():
            instrument.open()
        states = make_all_safe(instruments, ["load"], attempts=1)
        assert bool(relay.said) is obeys
        assert [s.confirmed for s in states] == [obeys, obeys]


def test_a_link_has_three_seconds_to_come_back() -> None:
    """docs/decisions/safe-state.md: six times with growing pauses, about three seconds in all; a fresh link each time but the first."""
    for failing in ({"broken": 5}, {"deaf": 5}):
        load, pauses = _Source("load", **failing), []
        (state,) = make_all_safe({"load": load}, ["load"], pause=pauses.append)
        assert state == SafeState("load", "nowhere", True, "off")
        assert (load.made_safe, load.opened) == (6, 5)
        assert pauses == pytest.approx([0.1, 0.2, 0.4, 0.8, 1.6])


def test_a_link_that_works_is_not_dropped() -> None:
    """What is open is told at once: opening could fail, or take seconds in which current flows."""
    load, pauses = _Source("load"), []
    make_all_safe({"load": load}, ["load"], pause=pauses.append)
    assert (load.made_safe, load.opened, pauses) == (1, 0, [])


@pytest.mark.parametrize(("failing", "said"), [({"broken": 9}, "broken off, 6"), ({"deaf": 9}, "ON")])
def test_what_never_confirms_is_not_safe_and_says_what_it_said_last(failing: dict[str, int], said: str) -> None:
    (state,) = make_all_safe({"load": _Source("load", "ON", **failing)}, ["load"], pause=lambda _: None)
    assert state == SafeState("load", "nowhere", False, said)


class _Mute(_Source):
    def make_safe(self) -> None:
        raise TimeoutError


def test_a_failure_without_words_is_told_by_its_kind() -> None:
    (state,) = make_all_safe({"load": _Mute("load")}, ["load"], attempts=1)
    assert state.answer == "TimeoutError"


def test_those_named_come_first_each_has_one_turn_and_all_of_it_is_in_the_record() -> None:
    told: list[str] = []

    class _Told(_Source):
        def make_safe(self) -> None:
            told.append(self.name)
            super().make_safe()

    stream = io.BytesIO()
    instruments = {name: _Told(name, f"{name} is off") for name in ("meter", "relay", "load", "reference")}
    instruments["load"].deaf = 9
    writer = RecordWriter(stream, RealClock(), sync=False)
    states = make_all_safe(instruments, ["load", "relay"], writer, lambda _: None, attempts=1)
    assert told == [s.instrument for s in states] == ["load", "relay", "meter", "reference"]
    lines = parse_record(stream.getvalue(), "test").lines
    assert [(line["kind"], line["instrument"], line["confirmed"], line["answer"]) for line in lines] == [
        ("safe", name, name != "load", f"{name} is off") for name in told
    ]


def test_whoever_was_left_alone_is_not_called_safe() -> None:
    """While the load may drive, a relay keeps its position, and neither record nor message says that it is safe."""
    profile = load_profile("scpi_load")
    load, far = _Source("load", deaf=9), _Load(obeys=True)
    relay = ScpiLoad("relay", "far away", profile, lambda: far, RealClock().now)
    relay.open()
    after = _Source("meter")
    instruments = {"load": load, "relay": relay, "meter": after}
    states = make_all_safe(instruments, ["load"], pause=lambda _: None)
    assert states[1:] == [
        SafeState("relay", "far away", False, "left as it is, since current may flow"),
        SafeState("meter", "nowhere", True, "off"),
    ]
    assert far.said == []


def test_the_message_names_who_did_not_confirm_and_ends_with_what_to_do() -> None:
    """Nobody goes near a circuit whose load may be on: the supply is cut first."""
    states = [
        SafeState("load", "h:1", False, "OUTPut? -> 1"),
        SafeState("relay", "h:2", False, ""),
        SafeState("meter", "h:3", True, "OK"),
    ]
    assert not_safe_message(states).splitlines() == [
        "load at h:1 did not confirm its safe state: OUTPut? -> 1",
        "relay at h:2 did not confirm its safe state: no answer",
        "Disconnect the supply of the load by hand now, before touching anything in the circuit.",
    ]
