"""A simulated bench on real transports: every instrument at the address the bench file gives it."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import Path

from simulated.bench import SimulatedBench
from simulated.description import InstrumentDescription
from simulated.modbus import RegisterMap, RtuConversation, TcpConversation
from simulated.scpi import ScpiConversation, ScpiInstrument
from simulated.transports import SerialLine, TcpListener

_SOCKET = re.compile(r"(TCPIP\d*)::([^:]+)::(\d+)::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(/[^:]+)::INSTR", re.IGNORECASE)
_MODBUS_TCP = re.compile(r"modbus-tcp://([^:/]+):(\d+)", re.IGNORECASE)
_MODBUS_RTU = re.compile(r"modbus-rtu:(.+)", re.IGNORECASE)


class SimulationError(Exception):
    """An instrument could not be put on its address; the message names both."""


@contextlib.contextmanager
def serve(bench: SimulatedBench) -> Iterator[dict[str, str]]:
    """Put every instrument that is not a person on its address; gives the addresses by the instruments' names.

    Forms: `TCPIP::host::port::SOCKET` and `ASRL/path::INSTR` for SCPI, `modbus-tcp://host:port` and
    `modbus-rtu:/path` for registers. Port 0 takes a free port, which the address given back names. Raises
    SimulationError when an address is taken or has another form, after closing what was open.
    """
    with contextlib.ExitStack() as open_now:
        addresses = {}
        for instrument in bench.description.instruments:
            if instrument.profile is not None:
                addresses[instrument.name] = _mount(bench, instrument, open_now)
        yield addresses


def _mount(bench: SimulatedBench, instrument: InstrumentDescription, open_now: contextlib.ExitStack) -> str:
    terminal = bench.terminal(instrument.name)
    try:
        if isinstance(terminal, ScpiInstrument):
            return _mount_scpi(terminal, instrument, open_now)
        return _mount_modbus(terminal, instrument, open_now)
    except OSError as failure:
        raise SimulationError(
            f"instrument {instrument.name!r}: cannot serve {instrument.address}: {failure.strerror or failure}"
        ) from failure


def _mount_scpi(terminal: ScpiInstrument, instrument: InstrumentDescription, open_now: contextlib.ExitStack) -> str:
    profile = instrument.profile
    assert profile is not None  # the caller skips instruments without one

    def converse() -> ScpiConversation:
        return ScpiConversation(terminal, profile.write_termination, profile.read_termination)

    if found := _SOCKET.fullmatch(instrument.address):
        listener = TcpListener(found[2], int(found[3]), converse)
        open_now.callback(listener.close)
        return f"{found[1]}::{found[2]}::{listener.port}::SOCKET"
    if found := _SERIAL.fullmatch(instrument.address):
        open_now.callback(SerialLine(Path(found[1]), converse()).close)
        return instrument.address
    raise SimulationError(
        f"instrument {instrument.name!r}: found address {instrument.address!r}, "
        "expected TCPIP::host::port::SOCKET or ASRL/path::INSTR"
    )


def _mount_modbus(registers: RegisterMap, instrument: InstrumentDescription, open_now: contextlib.ExitStack) -> str:
    if found := _MODBUS_TCP.fullmatch(instrument.address):
        listener = TcpListener(found[1], int(found[2]), lambda: TcpConversation(registers, instrument.unit_id))
        open_now.callback(listener.close)
        return f"modbus-tcp://{found[1]}:{listener.port}"
    if found := _MODBUS_RTU.fullmatch(instrument.address):
        line = RtuConversation(registers, instrument.unit_id)
        open_now.callback(SerialLine(Path(found[1]), line, line.pause).close)
        return instrument.address
    raise SimulationError(
        f"instrument {instrument.name!r}: found address {instrument.address!r}, "
        "expected modbus-tcp://host:port or modbus-rtu:/path"
    )
