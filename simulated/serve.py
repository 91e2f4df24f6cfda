"""A simulated bench on real transports: every instrument at the address the bench file gives it."""

from __future__ import annotations

import contextlib
import re
import threading
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path

from simulated.bench import SimulatedBench
from simulated.description import InstrumentDescription
from simulated.transports.hislip import HislipServer
from simulated.transports.link_faults import Hostile, Schedule
from simulated.transports.listeners import Conversation, TcpListener
from simulated.transports.modbus import RegisterMap, RtuConversation, TcpConversation
from simulated.transports.scpi import ScpiConversation, ScpiTerminal
from simulated.transports.serial_line import IS_DEVICE, SerialLine
from simulated.transports.vxi11 import Vxi11Server

_SOCKET = re.compile(r"(TCPIP\d*)::([^:]+)::(\d+)::SOCKET", re.IGNORECASE)
_HISLIP = re.compile(r"(TCPIP\d*)::([^:]+)::(hislip\d+),(\d+)(?:::INSTR)?", re.IGNORECASE)
_VXI11 = re.compile(r"(TCPIP\d*)::([^:,]+),(\d+)::(inst\d+)(?:::INSTR)?", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(/[^:]+)::INSTR", re.IGNORECASE)
_MODBUS_TCP = re.compile(r"modbus-tcp://([^:/]+):(\d+)", re.IGNORECASE)
_MODBUS_RTU_SOCKET = re.compile(r"modbus-rtu:socket://([^:/]+):(\d+)", re.IGNORECASE)
_MODBUS_RTU = re.compile(r"modbus-rtu:(.+)", re.IGNORECASE)


LOOK_AT_WATCHDOG_EVERY = 0.02
"""Seconds between checks of the watchdog."""


class SimulationError(Exception):
    """An instrument could not be put on its address; the message names both."""


@contextlib.contextmanager
def serve(
    bench: SimulatedBench, schedules: Mapping[str, Schedule] | None = None, one_client: Collection[str] = ()
) -> Iterator[dict[str, str]]:
    """Put every instrument that is not a person on its address; gives the addresses by the instruments' names.

    Forms for SCPI: `TCPIP::host::port::SOCKET`, `TCPIP::host::hislip0,port::INSTR` (HiSLIP),
    `TCPIP::host,port::inst0::INSTR` (VXI-11) and, where there are pseudo-terminals, `ASRL/path::INSTR`; for registers:
    `modbus-tcp://host:port`, `modbus-rtu:socket://host:port` and `modbus-rtu:/path`. Port 0 takes a free port, which the
    address given back names. `schedules` go before the bench's own; those in `one_client` answer one client of their
    socket at a time. Raises SimulationError when an address is taken or has another form, after closing what was open.
    """
    hostile = {**bench.schedules, **(schedules or {})}
    with contextlib.ExitStack() as open_now:
        addresses = {}
        for instrument in bench.description.instruments:
            if instrument.profile is not None:
                mount = _Mount(bench, instrument, hostile.get(instrument.name), open_now, instrument.name in one_client)
                addresses[instrument.name] = mount.address()
        if any(i.profile is not None and i.profile.watchdog is not None for i in bench.description.instruments):
            ended = threading.Event()
            watching = threading.Thread(target=_watch, args=(bench, ended), daemon=True)
            watching.start()
            open_now.callback(watching.join)
            open_now.callback(ended.set)
        yield addresses


def _watch(bench: SimulatedBench, ended: threading.Event) -> None:
    while not ended.wait(LOOK_AT_WATCHDOG_EVERY):
        bench.look_at_watchdog()


class _Mount:
    """One instrument on its address; its resources are closed with `open_now`."""

    def __init__(
        self,
        bench: SimulatedBench,
        instrument: InstrumentDescription,
        schedule: Schedule | None,
        open_now: contextlib.ExitStack,
        one_client: bool,
    ) -> None:
        self._clients = 1 if one_client else None
        self._terminal = bench.terminal(instrument.name)
        self._instrument, self._schedule, self._now = instrument, schedule, bench.clock.now
        self._open_now = open_now

    def address(self) -> str:
        """Serve; return the address with its port. Raises SimulationError."""
        try:
            if isinstance(self._terminal, ScpiTerminal):
                return self._scpi(self._terminal)
            return self._modbus(self._terminal)
        except OSError as failure:
            raise SimulationError(
                f"instrument {self._instrument.name!r}: cannot serve {self._instrument.address}: "
                f"{failure.strerror or failure}"
            ) from failure

    def _scpi(self, terminal: ScpiTerminal) -> str:
        profile, address = self._instrument.profile, self._instrument.address
        assert profile is not None  # the caller skips instruments without one
        ends = profile.write_termination, profile.read_termination

        def converse() -> Conversation:
            plain = ScpiConversation(terminal, *ends)
            if self._schedule is None:
                return plain
            end = profile.read_termination.encode("latin-1")
            return Hostile(plain, self._schedule, "text", self._now, end=end, queue_error=terminal.queue_error)

        if found := _SOCKET.fullmatch(address):
            port = self._listen(found[2], found[3], converse)
            return f"{found[1]}::{found[2]}::{port}::SOCKET"
        if found := _HISLIP.fullmatch(address):
            hislip = HislipServer(converse, *ends)
            port = self._listen(found[2], found[4], hislip.connection, hislip.ended)
            return f"{found[1]}::{found[2]}::{found[3]},{port}::INSTR"
        if found := _VXI11.fullmatch(address):
            vxi11 = Vxi11Server(converse, *ends)
            port = self._listen(found[2], found[3], vxi11.connection, vxi11.ended)
            return f"{found[1]}::{found[2]},{port}::{found[4]}::INSTR"
        if (found := _SERIAL.fullmatch(address)) and not IS_DEVICE:
            raise SimulationError(
                f"instrument {self._instrument.name!r}: found address {address!r}, which needs a pseudo-terminal, and this system "
                "has none; expected TCPIP::host::port::SOCKET"
            )
        if found:
            self._open_now.callback(SerialLine(Path(found[1]), converse(), absent=self._absent).close)
            return address
        raise self._unservable(
            "TCPIP::host::port::SOCKET, TCPIP::host::hislip0,port::INSTR, TCPIP::host,port::inst0::INSTR or ASRL/path::INSTR"
        )

    def _modbus(self, registers: RegisterMap) -> str:
        address, unit, schedule = self._instrument.address, self._instrument.unit_id, self._schedule
        if found := _MODBUS_TCP.fullmatch(address):

            def converse() -> Conversation:
                plain = TcpConversation(registers, unit)
                return plain if schedule is None else Hostile(plain, schedule, "tcp", self._now)

            return f"modbus-tcp://{found[1]}:{self._listen(found[1], found[2], converse)}"
        if found := _MODBUS_RTU_SOCKET.fullmatch(address):

            def converse_in_frames() -> Conversation:
                line = RtuConversation(registers, unit)
                return line if schedule is None else Hostile(line, schedule, "rtu", self._now)

            return f"modbus-rtu:socket://{found[1]}:{self._listen(found[1], found[2], converse_in_frames)}"
        if found := _MODBUS_RTU.fullmatch(address):
            line = RtuConversation(registers, unit)
            on_line = line if schedule is None else Hostile(line, schedule, "rtu", self._now)
            self._open_now.callback(SerialLine(Path(found[1]), on_line, on_line.pause, self._absent).close)
            return address
        raise self._unservable("modbus-tcp://host:port, modbus-rtu:socket://host:port or modbus-rtu:/path")

    def _listen(
        self,
        host: str,
        port: str,
        converse: Callable[[], Conversation],
        ended: Callable[[Conversation], None] = lambda _: None,
    ) -> int:
        listener = TcpListener(host, int(port), converse, self._absent, ended, self._clients)
        self._open_now.callback(listener.close)
        return listener.port

    def _absent(self) -> bool:
        return self._schedule is not None and self._schedule.absent(self._now())

    def _unservable(self, expected: str) -> SimulationError:
        return SimulationError(
            f"instrument {self._instrument.name!r}: found address {self._instrument.address!r}, expected {expected}"
        )
