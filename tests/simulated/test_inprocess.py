"""Links without a wire: they behave as links with one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from simulated.inprocess import open_link
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from simulated.terminals.profile_terminals import UnsupportedInstrument
from simulated.transports.modbus import IllegalAddress

MakeDesk = Callable[..., Any]


def test_nothing_to_read_takes_the_timeout(make_desk: MakeDesk) -> None:
    """A read without a reply waits the whole timeout on the bench's clock, then says how long."""
    desk = make_desk()
    begin = desk.clock.now()
    with pytest.raises(TimeoutError, match="3 s"):
        desk.source.read()
    assert desk.clock.now() - begin == pytest.approx(3.0)


def test_a_query_nobody_understands_times_out_and_queues(make_desk: MakeDesk) -> None:
    """The error queue says why."""
    desk = make_desk()
    with pytest.raises(TimeoutError):
        desk.source.query("MEAS:VOLT?")
    assert desk.source.query("SYST:ERR?") == '-113,"Undefined header"'


def test_the_error_queue_survives_a_reopened_link(make_desk: MakeDesk) -> None:
    """It belongs to the instrument, not to the connection."""
    desk = make_desk()
    desk.source.write("NONSENSE")
    desk.source.close()
    again: Any = open_link(desk.bench, "source")
    assert again.query("SYST:ERR?").startswith("-113")


def test_polling_sees_time_pass(make_desk: MakeDesk) -> None:
    """A client that polls until a deadline comes to an end."""
    desk = make_desk()
    deadline = desk.clock.now() + 0.5
    polls = 0
    while desk.clock.now() < deadline:
        desk.source.query("OUTP?")
        polls += 1
    assert 50 < polls < 2000


def test_registers_take_the_time_of_their_characters(make_desk: MakeDesk) -> None:
    """17 characters of 11 bits at 19200 baud are 9.7 ms (MODBUS over Serial Line V1.02: 8 data, parity, start, stop)."""
    desk = make_desk()
    begin = desk.clock.now()
    desk.displayed()
    assert desk.clock.now() - begin == pytest.approx(17 * 11 / 19200, abs=1e-6)
    with pytest.raises(IllegalAddress):
        desk.meter.read_registers("input", 2, 2)
    assert desk.meter.read_registers("holding", 256, 2) == [0, 40117]


def test_a_person_has_no_link(make_description: Callable[..., Any]) -> None:
    """Neither has an instrument in a role that is not simulated over its bus."""
    described = make_description()
    meter_profile = described.instruments[2].profile
    by_person = replace(described.instruments[3], profile=None)
    odd = replace(described.instruments[0], profile=meter_profile)
    bench = SimulatedBench(
        replace(described, instruments=(odd, *described.instruments[1:3], by_person)), VirtualClock()
    )
    with pytest.raises(UnsupportedInstrument, match="a person has no terminal"):
        open_link(bench, "relay")
    with pytest.raises(UnsupportedInstrument, match="no Modbus load"):
        open_link(bench, "source")
