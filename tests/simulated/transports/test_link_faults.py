"""The fault injector by itself and on links in this process, in virtual time."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadInputRegistersRequest

from instruments.numbers import parse_number
from simulated.inprocess import InProcessRegisters, TextLink, open_link
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from simulated.transports.link_faults import FAULTS, UNSEEN, Hostile, Schedule
from simulated.transports.listeners import Ending
from simulated.transports.modbus import RtuConversation, crc

TEXT_FAULTS = [f for f, framings in FAULTS.items() if "text" in framings]
RTU_FAULTS = [f for f, framings in FAULTS.items() if "rtu" in framings]


class Counter:
    """An instrument that answers its n-th question with n and a half."""

    def __init__(self) -> None:
        self.numbers = itertools.count()

    def receive(self, data: bytes) -> list[tuple[bytes, float]]:
        return [(f"{next(self.numbers)}.5\n".encode(), 0.0)]


class Registers:
    """A unit whose two input registers hold how often it was asked."""

    def __init__(self) -> None:
        self.asked = 0

    def words(self, function: str, address: int, count: int) -> list[int]:
        self.asked += 1
        return [7, self.asked]


def text_link(schedule: Schedule, clock: VirtualClock, queue_error: Callable[[int], None] = lambda _: None) -> TextLink:
    hostile = Hostile(Counter(), schedule, "text", clock.now, end=b"\n", queue_error=queue_error)
    return TextLink(hostile, "\n", "\n", clock, 0.5)


def test_a_fault_that_nothing_carries_out_is_no_other_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Listed, and without a branch of its own: an answer that is reset would pass for it."""
    monkeypatch.setitem(FAULTS, "echo", ("text",))
    with pytest.raises(KeyError, match="echo"):
        text_link(Schedule({0: "echo"}), VirtualClock()).query("READ?")


@pytest.mark.parametrize("fault", TEXT_FAULTS)
def test_text_in_process(fault: str) -> None:
    """An error, or the true answer, or text that is no number; what cannot be seen is exactly what is said to be unseen."""
    clock, queued = VirtualClock(), list[int]()
    schedule = Schedule({1: fault}, lateness=2.0)
    link = text_link(schedule, clock, queued.append)
    assert link.query("READ?") == "0.5"
    try:
        answer = parse_number(link.query("READ?"))
    except (OSError, ValueError):
        answer = 1.5
    assert (answer == 1.5) is (fault not in UNSEEN)
    assert schedule.injected == [(1, fault)]
    assert bool(queued) is (fault == "queued-error")
    assert clock.now() < 1.1  # one timeout at most, in virtual time
    if fault == "duplicate":
        assert link.waiting()


@pytest.mark.parametrize("fault", RTU_FAULTS)
def test_registers_in_process(fault: str) -> None:
    """Real RTU frames taken apart by pymodbus: check and exception replies are seen there."""
    clock, units = VirtualClock(), Registers()
    schedule = Schedule({1: fault}, lateness=2.0)
    link = InProcessRegisters(Hostile(RtuConversation(units, 1), schedule, "rtu", clock.now), 1, clock, 19200, 0.5)  # type: ignore[arg-type]
    assert link.read_registers("input", 0, 2) == [7, 1]
    try:
        answer = link.read_registers("input", 0, 2)
    except OSError:
        answer = [7, 2]
    assert answer == ([7, 1] if fault == "stale" else [7, 2])
    assert schedule.counts == {fault: 1}


def test_what_breaks_a_link_really_breaks_it() -> None:
    """Every fault that must fail does: none of them is quietly absent."""
    for fault in set(TEXT_FAULTS) - {*UNSEEN, "refuse", "queued-error", "duplicate", "over-range"}:
        link = text_link(Schedule({0: fault}, lateness=2.0), VirtualClock())
        with pytest.raises((OSError, ValueError)):
            parse_number(link.query("READ?"))
    with pytest.raises(ValueError, match="not-a-number"):
        parse_number(text_link(Schedule({0: "over-range"}), VirtualClock()).query("READ?"))


@given(
    seed=st.integers(0, 10**6),
    rate=st.floats(0.05, 1.0),
    faults=st.lists(st.sampled_from(TEXT_FAULTS), unique=True),
)
def test_a_seeded_schedule_can_be_repeated_and_counts_what_it_did(seed: int, rate: float, faults: list[str]) -> None:
    """The same seed strikes the same exchanges; the count is of what was injected; only faults that were asked for."""
    made = []
    for _ in range(2):
        schedule = Schedule(seed=seed, rate=rate, faults=faults)
        struck = [schedule.strike("text", lambda _: True) for _ in range(100)]
        made.append(struck)
        assert schedule.exchanges == 100
        assert sum(schedule.counts.values()) == len([f for f in struck if f]) == len(schedule.injected)
        assert {f for f in struck if f} <= set(faults or TEXT_FAULTS)
    assert made[0] == made[1]


def test_an_unknown_fault_is_refused() -> None:
    """By name, and the known ones are listed."""
    with pytest.raises(ValueError, match="found faults gremlin, expected some of refuse, mute"):
        Schedule({3: "gremlin"})
    with pytest.raises(ValueError, match="gremlin"):
        Schedule(rate=0.1, faults=("gremlin", "late"))


def test_faults_of_readings_wait_for_a_reading(make_description: Callable[..., Any]) -> None:
    """An identification has no digit to get wrong; the reading after it has."""
    schedule = Schedule({0: "over-range"})
    bench = SimulatedBench(make_description(), VirtualClock(), schedules={"multimeter": schedule})
    link = open_link(bench, "multimeter")
    assert isinstance(link, TextLink)
    assert link.query("*IDN?").startswith("Simulated,")
    assert link.query("READ?") == "9.91E37"
    assert float(link.query("READ?")) < 1
    assert schedule.injected == [(1, "over-range")]


def test_gone_and_back_as_another(make_description: Callable[..., Any]) -> None:
    """While it is gone no link can be opened; then it answers, under another serial number."""
    clock = VirtualClock()
    schedule = Schedule({1: "come-back-as-another"}, away=5.0)
    bench = SimulatedBench(make_description(), clock, schedules={"multimeter": schedule})
    link: Any = open_link(bench, "multimeter")
    before = link.query("*IDN?")
    with pytest.raises(ConnectionError, match="reset by the other side"):
        link.query("*IDN?")
    with pytest.raises(ConnectionRefusedError):
        open_link(bench, "multimeter")
    clock.sleep(5.0)
    again: Any = open_link(bench, "multimeter")
    assert again.query("*IDN?").split(",")[2] == before.split(",")[2] + "0"


def test_the_error_queue_holds_what_was_queued(make_description: Callable[..., Any]) -> None:
    """A good reply, then SCPI-99's -310, system error."""
    bench = SimulatedBench(make_description(), VirtualClock(), schedules={"multimeter": Schedule({0: "queued-error"})})
    link: Any = open_link(bench, "multimeter")
    assert link.query("*OPC?") == "1"
    assert link.query("SYST:ERR?").startswith("-310,")


def test_an_instrument_that_is_gone_resets_the_connections_it_still_has() -> None:
    """Also one that another client opened before."""
    schedule = Schedule({0: "vanish"}, away=1.0)
    hostile = Hostile(Counter(), schedule, "text", lambda: 0.0, end=b"\n")
    assert list(hostile.receive(b"READ?\n")) == [(Ending.RESET, 0.0)]
    assert list(hostile.receive(b"READ?\n")) == [(Ending.RESET, 0.0)]
    assert schedule.exchanges == 1


def test_modbus_frames_against_the_specification_and_pymodbus() -> None:
    """MODBUS Application Protocol V1.1b3, section 6.4: read input register 9 (address 8) holds 10; framed by pymodbus.

    MODBUS over Serial Line V1.02, appendix B: the frame 02 07 carries the check 41 12 (value from memory).
    """

    class Example:
        def words(self, function: str, address: int, count: int) -> list[int]:
            assert (function, address, count) == ("input", 8, 1)
            return [10]

    assert crc(b"\x02\x07") == b"\x41\x12"
    framer = FramerRTU(DecodePDU(is_server=False))
    request = framer.buildFrame(ReadInputRegistersRequest(address=8, count=1, dev_id=1))
    assert request[1:6] == b"\x04\x00\x08\x00\x01"
    ((reply, _),) = RtuConversation(Example(), 1).receive(request)  # type: ignore[arg-type]
    assert reply[1:5] == b"\x04\x02\x00\x0a"
    _, answer = framer.handleFrame(reply, 1, 0)
    assert answer is not None
    assert answer.registers == [10]


@given(st.binary(max_size=260))
def test_the_check_is_the_one_pymodbus_computes(data: bytes) -> None:
    """CRC-16 of MODBUS over Serial Line V1.02, section 6.2.2, for any frame."""
    assert crc(data) == FramerRTU.compute_CRC(data).to_bytes(2, "big")
