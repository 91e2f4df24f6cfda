"""Making safe: nothing that goes wrong beside it takes the further instruments' turn."""

import io
from dataclasses import dataclass, field

from harness.core.clock import RealClock
from harness.record.journal import RecordWriter
from harness.safety.safing import make_all_safe
from instruments.drivers.over_links import ScpiLoad
from instruments.profile import load_profile
from instruments.reading import Identity


@dataclass
class _Source:
    """An instrument that counts how often it was made safe and says `answer`."""

    name: str
    answer: str = "off"
    address: str = "nowhere"
    made_safe: int = 0

    def open(self) -> None: ...

    def identify(self) -> Identity:
        return Identity(self.name, "")

    def start(self) -> None: ...

    def make_safe(self) -> None:
        self.made_safe += 1

    def confirm_safe(self) -> tuple[bool, str]:
        return True, self.answer

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
