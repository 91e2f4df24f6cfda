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
from harness.run.pair_reader import PairReader
from harness.run.run_context import RunContext
from harness.station.station import Station
from instruments.drivers.over_links import ScpiMeter, ScpiReference
from instruments.drivers.roles import Load, Switch
from instruments.errors import LinkError, ReplyError
from instruments.operator.person import ScriptedPerson
from instruments.profile import load_profile
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


def reader_of(
    passed: list[str], *, meter_at: str = "there", broken: bool = False, clock: Clock | None = None, takes: float = 0.0
) -> tuple[PairReader, ScpiReference]:
    clock, profile = clock or RealClock(), load_profile("scpi_multimeter")
    reference = ScpiReference("reference", "here", profile, lambda: Telling("reference", passed), clock.now)
    meter = ScpiMeter(
        "meter", meter_at, profile, lambda: Telling("meter", passed, broken, lambda: clock.sleep(takes)), clock.now
    )
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
