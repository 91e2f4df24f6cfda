"""What is announced of each exchange, and how a load's watchdog is fed meanwhile."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import pytest

from harness.commands.new import template
from harness.core.activity import STANDSTILL, Activity
from harness.files.instrument_entry import InstrumentEntry
from harness.files.loading import parse_bench
from harness.station.announced_links import AnnouncedLinks
from instruments.errors import LinkError
from instruments.profile import Profile, load_profile
from tests.harness.station.moved_by_hand import MovedByHand

BENCH = parse_bench(template("bench.toml"), "bench.toml")
TIMEOUT = 7.0


class Noting(Activity):
    """Remembers what was announced."""

    def __init__(self) -> None:
        super().__init__()
        self.announced: list[tuple[float, str]] = []
        self.within = ""

    @contextmanager
    def bounded(self, seconds: float, what: str) -> Iterator[None]:
        self.announced.append((seconds, what))
        self.within = what
        with super().bounded(seconds, what):
            yield
        self.within = ""


class Far(MovedByHand):
    """The links beneath: every exchange must come while it is announced. `fails`: which text breaks the link."""

    def __init__(self, activity: Noting) -> None:
        super().__init__()
        self.activity, self.said, self.fails = activity, [], ""

    def _now(self, *what: Any) -> None:
        assert self.activity.within
        self.asked.append(what)

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Any:
        self._now("text", name, entry, profile)
        return SimpleNamespace(
            write=self._write,
            read=lambda: self._now("read") or "late",
            query=lambda text: self._now("query", text) or "1",
            close=lambda: self._now("close"),
        )

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> Any:
        self._now("registers", name, entry, drain)
        return SimpleNamespace(
            read_registers=lambda *what: self._now("registers read", *what) or [5], close=lambda: self._now("close")
        )

    def _write(self, text: str) -> None:
        if threading.current_thread() is threading.main_thread():
            self._now("write", text)
        self.said.append(text)
        if text == self.fails:
            raise LinkError("cut", instrument="source", address="h:1", command=text)


@pytest.fixture
def activity() -> Noting:
    return Noting()


@pytest.fixture
def far(activity: Noting) -> Far:
    return Far(activity)


def entry_of(name: str) -> InstrumentEntry:
    return BENCH.instruments[name].model_copy(update={"timeout": TIMEOUT})


def test_each_exchange_of_text_is_announced_for_its_timeout_and_opening_for_what_it_may_take(
    far: Far, activity: Noting
) -> None:
    """A slow instrument must not be taken for a run that stands still, nor the other way round.

    Opening: two connections with a lock, three timeouts for each line that has to fall quiet, and its own: seven in all.
    """
    profile, entry = load_profile("scpi_load"), entry_of("source")
    link = AnnouncedLinks(far, activity).text("source", entry, profile)
    link.write("*CLS")
    assert (link.read(), link.query("OUTP?")) == ("late", "1")
    link.close()
    assert far.asked == [
        ("text", "source", entry, profile),
        ("write", "*CLS"),
        ("read",),
        ("query", "OUTP?"),
        ("close",),
    ]
    assert activity.announced == [
        (7 * TIMEOUT, "opening source"),
        (TIMEOUT, "source: *CLS"),
        (TIMEOUT, "source: a reply"),
        (TIMEOUT, "source: OUTP?"),
        (TIMEOUT, "closing source"),
    ]


def test_each_exchange_of_registers_is_announced_too(far: Far, activity: Noting) -> None:
    entry = entry_of("monitor")
    link = AnnouncedLinks(far, activity).registers("monitor", entry, True)
    assert link.read_registers("holding", 40, 2) == [5]
    link.close()
    assert far.asked == [("registers", "monitor", entry, True), ("registers read", "holding", 40, 2), ("close",)]
    assert activity.announced == [
        (7 * TIMEOUT, "opening monitor"),
        (TIMEOUT, "monitor: holding registers from 40"),
        (TIMEOUT, "closing monitor"),
    ]


def test_what_a_person_does_reaches_the_bench(far: Far, activity: Noting) -> None:
    links = AnnouncedLinks(far, activity)
    links.turn_switch("x4")
    links.plug(0.23)
    links.turn_reference(10.0)
    assert far.asked == [("switch", "x4"), ("plug", 0.23), ("reference", 10.0)]


FEED, ON, OFF = "SYSTem:WATChdog:RESTart", "OUTPut ON", "OUTPut OFF"


@pytest.fixture
def fed(far: Far, activity: Noting) -> Iterator[Any]:
    """A link to a load whose watchdog waits for 0.2 s; nothing feeds it once the test is over."""
    profile = load_profile("scpi_load_watchdog")
    assert profile.watchdog is not None
    quick = profile.model_copy(update={"watchdog": profile.watchdog.model_copy(update={"seconds": 0.2})})
    link = AnnouncedLinks(far, activity).text("source", entry_of("source"), quick)
    yield link
    link.close()
    wait_for(lambda: not feeding())


def feeding() -> int:
    return sum(thread.name == "feeding" for thread in threading.enumerate())


def wait_for(reached: Callable[[], bool]) -> None:
    end = time.monotonic() + 10
    while not reached():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_watchdog_is_fed_from_on_to_off(fed: Any, far: Far, activity: Noting) -> None:
    """Four times in the time that it waits, so that three feedings may come late; and none is announced, or it would count as the run's work."""
    fed.write("SOURce:CURRent 1")
    assert feeding() == 0
    fed.write(ON)
    began = time.monotonic()
    fed.write(ON)
    assert feeding() == 1
    # The program ends without waiting for it (Python's library reference, threading): nobody feeds for a run that is gone.
    assert all(thread.daemon for thread in threading.enumerate() if thread.name == "feeding")
    wait_for(lambda: far.said.count(FEED) >= 4)
    took = time.monotonic() - began
    assert 0.19 <= took <= 0.7
    assert all(FEED not in what for _, what in activity.announced)
    fed.write(OFF)
    wait_for(lambda: not feeding())
    off = far.said.count(FEED)
    time.sleep(0.15)
    assert far.said.count(FEED) == off
    # The next current is guarded again.
    fed.write(ON)
    wait_for(lambda: far.said.count(FEED) > off)


def test_a_load_that_is_fed_is_announced_by_its_name_too(fed: Any, activity: Noting) -> None:
    """A run that stands still is told by what it waits for."""
    fed.write(ON)
    fed.query("OUTPut?")
    assert activity.announced[1:] == [(TIMEOUT, f"source: {ON}"), (TIMEOUT, "source: OUTPut?")]


def test_off_ends_the_feeding_even_where_it_cannot_be_said(fed: Any, far: Far) -> None:
    """It ends before it is said: a load that does not obey must be left to its watchdog, whatever comes of the write."""
    fed.write(ON)
    far.fails = OFF
    with pytest.raises(LinkError):
        fed.write(OFF)
    wait_for(lambda: not feeding())


def test_a_run_that_stands_still_feeds_no_watchdog(fed: Any, far: Far, activity: Noting) -> None:
    """Where no guard gets through, the load switches itself off."""
    with activity.bounded(-STANDSTILL, "reading the meter"):
        fed.write(ON)
        time.sleep(0.3)
        assert FEED not in far.said
    wait_for(lambda: FEED in far.said)


def test_a_load_that_could_not_be_switched_on_is_not_fed(fed: Any, far: Far) -> None:
    far.fails = ON
    with pytest.raises(LinkError):
        fed.write(ON)
    assert feeding() == 0


def test_a_link_that_broke_ends_the_feeding_without_a_word(fed: Any, far: Far) -> None:
    """The run finds the link broken itself; a thread that raised would be a warning, which is an error here."""
    far.fails = FEED
    fed.write(ON)
    wait_for(lambda: not feeding())
    assert far.said.count(FEED) == 1


def test_a_link_that_is_closed_feeds_nothing(fed: Any, far: Far) -> None:
    fed.write(ON)
    fed.close()
    wait_for(lambda: not feeding())


def test_a_load_without_a_watchdog_is_not_fed(far: Far, activity: Noting) -> None:
    link = AnnouncedLinks(far, activity).text("source", entry_of("source"), load_profile("scpi_load"))
    link.write(ON)
    assert feeding() == 0
