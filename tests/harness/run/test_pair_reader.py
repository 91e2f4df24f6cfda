"""Which of two instruments is asked when, so that both measure at the same time and no reply answers another question."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import cast

import pytest

from harness.commands.new import template
from harness.core.clock import Clock, RealClock
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.files.loading import parse_bench, parse_device
from harness.record.journal import RecordWriter
from harness.run.expected_power import Applied
from harness.run.pair_reader import PairReader
from harness.run.run_context import RunContext
from harness.station.station import Station
from instruments.drivers.over_links import RegisterMeter, ScpiMeter, ScpiReference
from instruments.drivers.roles import Load, Meter, Switch
from instruments.errors import LinkError, ReplyError
from instruments.operator.person import ScriptedPerson
from instruments.profile import load_profile
from instruments.reading import Reading
from simulated.physics.virtual_clock import VirtualClock

DEVICE = parse_device(template("device.toml"), "device.toml")


class Telling:
    """A link that notes what passes. Every question has an answer of its own, by number; the one called `broken` has none."""

    def __init__(
        self, name: str, passed: list[str], broken: bool = False, working: Callable[[], None] = lambda: None
    ) -> None:
        self._name, self._passed, self._broken, self._working = name, passed, broken, working
        self._waiting: list[str] = []
        self._count = 0

    def write(self, text: str) -> None:
        self._passed.append(f"{self._name} asked")
        self._count += 1
        self._waiting.append(str(self._count))

    def read(self) -> str:
        self._passed.append(f"{self._name} read")
        if self._broken:
            raise LinkError("gone", instrument=self._name, address="here")
        self._working()
        return self._waiting.pop(0)

    def query(self, text: str) -> str:
        self.write(text)
        return self.read()

    def close(self) -> None: ...


class Registers:
    """A link that notes that registers were read, after so many seconds; they hold 1.0."""

    def __init__(self, passed: list[str], working: Callable[[], None]) -> None:
        self._passed, self._working = passed, working

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        self._passed.append("registers read")
        self._working()
        return [0x3F80, 0]

    def close(self) -> None: ...


def reader_of(
    passed: list[str],
    *,
    meter_at: str = "there",
    broken: bool = False,
    clock: Clock | None = None,
    takes: float = 0.0,
    registers: bool = False,
) -> tuple[PairReader, ScpiReference]:
    clock, profile = clock or RealClock(), load_profile("scpi_multimeter")
    reference = ScpiReference("reference", "here", profile, lambda: Telling("reference", passed), clock.now)

    def working() -> None:
        clock.sleep(takes)

    meter: Meter = ScpiMeter("meter", meter_at, profile, lambda: Telling("meter", passed, broken, working), clock.now)
    if registers:
        of_registers = load_profile("modbus_meter")
        meter = RegisterMeter("meter", meter_at, of_registers, lambda _: Registers(passed, working), clock.now)
    reference.open()
    meter.open()
    load, switch = cast(Load, None), cast(Switch, None)
    station = Station(load, reference, meter, switch, {}, (), ScriptedPerson())  # type: ignore[arg-type]
    bench = parse_bench(template("bench.toml"), "bench.toml")
    writer = RecordWriter(io.BytesIO(), clock, sync=False)
    return PairReader(RunContext(DEVICE, bench, station, {}, writer, clock, StopSignal(), Progress())), reference


def test_the_reference_measures_while_the_meter_answers() -> None:
    """It counts as begun when it was asked."""
    passed: list[str] = []
    reader, _ = reader_of(passed)
    pair = reader.read(DEVICE.ranges[0], 0.0)
    assert passed == ["reference asked", "meter asked", "meter read", "reference read"]
    assert pair.reference.started <= pair.displayed.started <= pair.displayed.finished <= pair.reference.finished


def test_two_at_one_address_are_read_one_after_the_other() -> None:
    passed: list[str] = []
    reader, _ = reader_of(passed, meter_at="here")
    reader.read(DEVICE.ranges[0], 0.0)
    assert passed == ["meter asked", "meter read", "reference asked", "reference read"]


def test_a_reply_that_nobody_took_answers_no_later_question() -> None:
    """The meter fails while the reference measures: the reply to that is its first, and the next reading its second.

    The first is waited for when the reference is asked again and no sooner.
    """
    passed: list[str] = []
    reader, reference = reader_of(passed, broken=True)
    with pytest.raises(LinkError, match="gone"):
        reader.read(DEVICE.ranges[0], 0.0)
    assert passed[-1] == "meter read"
    assert reference.read().value == 2.0
    assert passed[-3:] == ["reference read", "reference asked", "reference read"]


def test_a_meter_slower_than_its_display_is_no_pair_with_what_was_measured_when_it_was_asked() -> None:
    """The reference's reply waits while the meter answers, which makes both look as if they had been read at one time."""
    interval = DEVICE.display.refresh_interval
    reader_of([], clock=VirtualClock(), takes=1.9 * interval)[0].read(DEVICE.ranges[0], 0.0)
    with pytest.raises(ReplyError, match="apart"):
        reader_of([], clock=VirtualClock(), takes=2.1 * interval)[0].read(DEVICE.ranges[0], 0.0)


def test_registers_are_read_after_the_reference_which_reads_ahead_for_the_next_pair() -> None:
    """They hold what was refreshed before: the last of a point has nothing ahead, and what was read ahead is read once."""
    passed: list[str] = []
    reader, _ = reader_of(passed, registers=True)
    before, pairs = None, []
    for last in (False, False, True):
        entries = reader.entries(DEVICE.ranges[0], Applied(1.0, None, None), False, before, last=last)
        pairs.append(reader.finished(entries))
        before = pairs[-1].ahead
    assert passed == [
        *["reference asked", "reference read"],
        *["reference asked", "registers read", "reference read"],
        *["reference asked", "registers read", "reference read"],
        "registers read",
    ]
    assert [pair.reference.value for pair in pairs] == [1.0, 2.0, 3.0]
    assert all(pair.reference.finished <= pair.displayed.started for pair in pairs)
    assert before is None


def test_registers_read_at_once_after_a_reading_of_the_reference_need_no_other() -> None:
    passed: list[str] = []
    reader, reference = reader_of(passed, registers=True)
    settled = reference.read()
    assert reader.read(DEVICE.ranges[0], 1.0, settled).reference is settled
    assert passed == ["reference asked", "reference read", "registers read"]


def test_a_reading_of_long_ago_is_no_pair_with_what_registers_hold_now() -> None:
    """Two intervals may pass until the display has caught up, and one until it is refreshed."""
    clock = VirtualClock()
    interval = DEVICE.display.refresh_interval
    reader, _ = reader_of([], registers=True, clock=clock)
    for ago, taken in ((2.9, True), (3.1, False)):
        old = Reading(7.0, "A", "7", clock.now(), clock.now())
        clock.sleep(ago * interval)
        assert (reader.read(DEVICE.ranges[0], 1.0, old).reference is old) == taken


def test_no_two_pairs_share_a_refresh_of_the_display() -> None:
    """However quick both instruments are, and two intervals pass where what is displayed may be of the state before."""
    clock = VirtualClock()
    interval = DEVICE.display.refresh_interval
    for registers in (False, True):
        reader, _ = reader_of([], registers=registers, clock=clock)
        first, second = (reader.read(DEVICE.ranges[0], 1.0).displayed.started for _ in "ab")
        assert second - first == pytest.approx(interval)
        now = clock.now()
        reader.see_anew()
        assert reader.read(DEVICE.ranges[0], 0.0).displayed.started - now == pytest.approx(2 * interval)
