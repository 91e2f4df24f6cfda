"""A `RegisterLink` over pymodbus: RTU on a serial port, or TCP.

Addresses are ours: ``modbus-tcp://host:port`` and ``modbus-rtu:PORT`` (see `serial_port`). On a serial line a late answer looks like the
answer to the next request, so a new RTU link first listens until the line has been quiet, nothing is asked while bytes
wait, and an answer must be one frame and nothing else.
"""

import contextlib
import logging
import select
import socket
import sys
import time
from threading import Lock, local
from typing import Any
from urllib.parse import urlsplit

from instruments.errors import LinkError, reason_of
from instruments.links.link import DEFAULT, LinkSettings
from instruments.links.quiet_line import drain as drain_line
from instruments.links.serial_port import SOCKET, host_and_port, leads_to, taken_by

_RTU, _TCP = "modbus-rtu:", "modbus-tcp://"
_RTU_FRAMING, _TCP_FRAMING = 5, 9
"""Bytes of an answer besides its registers: unit, function, count, check; or header (7), function, count."""
LONGEST_ANSWERS = 600
"""Bytes: more than two of the longest frames. pymodbus searches noise for frames ever more slowly as it grows."""


EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""MODBUS Application Protocol Specification V1.1b3, section 7."""


def exception_text(code: int) -> str:
    """The number of an exception reply, with its name in the standard."""
    return f"Modbus exception {code:02d} ({EXCEPTIONS.get(code, 'not in the standard')})"


FIRST_REGISTER = {"input": 30001, "holding": 40001}
"""The number of the register of address 0 in manuals that write five digits; common practice, no published source."""


def counted_otherwise(function: str, address: int) -> str:
    """A hint for an illegal address: its most frequent cause is a manual that numbers registers from 1, with the function before the number.

    MODBUS Application Protocol Specification V1.1b3, section 4.4: the register numbered X is addressed X - 1. The digit
    before the number is common practice, no published source.
    """
    for kind, first in FIRST_REGISTER.items():
        if first <= address < first + 9999:
            return f"addresses count from 0: where {address} is a manual's number, function is {kind!r} and address {address - first}"
    return f"addresses count from 0, so a manual's {function} register {FIRST_REGISTER[function]} (or 1) is address 0"


class _Swallowed(logging.Handler):
    """Keeps what pymodbus catches and only logs, for each thread, instead of printing it."""

    def __init__(self) -> None:
        super().__init__()
        self.last = local()

    def emit(self, record: logging.LogRecord) -> None:
        """Keep the exception being handled where `record` is logged."""
        self.last.failure = sys.exception() or ConnectionError(record.getMessage())


_SWALLOWED = _Swallowed()


class ModbusLink:
    """The registers of one unit."""

    def __init__(
        self,
        instrument: str,
        address: str,
        settings: LinkSettings = DEFAULT,
        *,
        unit_id: int = 1,
        drain: bool = False,
    ) -> None:
        """Open `address`; with `drain` first wait until no late answer has come for a whole timeout. Raises LinkError."""
        logging.getLogger("pymodbus.logging").addHandler(_SWALLOWED)
        self._instrument, self._address, self._unit_id = instrument, address, unit_id
        self._lock = Lock()
        self._client: Any = None
        self._framing = _TCP_FRAMING if address.startswith(_TCP) else _RTU_FRAMING
        self._received = b""
        started = time.monotonic()
        try:
            self._client = self._client_for(settings)
            if not self._client.connect():
                failure = _SWALLOWED.last.failure
                raise ConnectionError(f"cannot be opened: {reason_of(failure)}") from failure
            if drain and address.startswith(_RTU):
                drain_line(self._discard_waiting, settings.timeout)
        except Exception as failure:
            self.close()
            raise self._failure(failure, "open", started) from failure

    def _client_for(self, settings: LinkSettings) -> Any:
        """A client for the address, not connected yet. Raises ValueError for an address of another form."""
        from pymodbus import FramerType
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient

        common: dict[str, Any] = {"timeout": settings.timeout, "retries": 0, "trace_packet": self._note}
        if self._address.startswith(_TCP):
            parts = urlsplit(self._address)
            return ModbusTcpClient(parts.hostname or "", port=parts.port or 502, **common)
        if not self._address.startswith(_RTU):
            raise ValueError("expected modbus-tcp://HOST:PORT or modbus-rtu:PATH")
        port = leads_to(self._address.removeprefix(_RTU))
        if port.startswith(SOCKET):
            # pySerial's sockets have a fixed timeout to connect, and tell of one waiting byte only.
            host, number = host_and_port(port)
            return ModbusTcpClient(host, port=number, framer=FramerType.RTU, **common)
        settings = taken_by(port, settings)
        return ModbusSerialClient(
            port,
            baudrate=settings.baud_rate,
            bytesize=settings.data_bits,
            parity=settings.parity[0].upper(),
            stopbits=settings.stop_bits,
            **common,
        )

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        """`count` registers from `address`. Raises LinkError on no answer, a wrong answer or an exception reply."""
        command = f"read {function} registers {address}..{address + count - 1}"
        with self._lock:
            if self._client is None:
                raise LinkError("link is closed", instrument=self._instrument, address=self._address, command=command)
            started = time.monotonic()
            self._received = b""
            read = self._client.read_input_registers if function == "input" else self._client.read_holding_registers
            try:
                self._refuse_waiting_bytes()
                reply = read(address, count=count, device_id=self._unit_id)
                if reply.isError():
                    code = getattr(reply, "exception_code", None)
                    told = str(reply) if code is None else exception_text(code)
                    raise ConnectionError(f"{told}; {counted_otherwise(function, address)}" if code == 2 else told)
                registers = list(reply.registers)
                if len(registers) != count:
                    raise ConnectionError(f"{len(registers)} registers instead of {count}")
                if len(self._received) != self._framing + 2 * count:
                    # One of two answers may belong to an earlier request, and nothing tells which.
                    raise ConnectionError("more than one answer")
            except Exception as failure:
                self.close()
                raise self._failure(failure, command, started, len(self._received)) from failure
            return registers

    def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            # A dead session may fail in any way, and there is nothing left to lose.
            with contextlib.suppress(Exception):
                client.close()

    def _note(self, sending: bool, data: bytes) -> bytes:
        """Keep the bytes pymodbus is about to parse; it calls this with everything not yet used."""
        if not sending:
            self._received = data
            if len(data) > LONGEST_ANSWERS:
                raise ConnectionError("answer without end")
        return data

    def _refuse_waiting_bytes(self) -> None:
        port = self._client.socket
        if isinstance(port, socket.socket):
            waiting = _receivable(port)
            if waiting and not port.recv(1, socket.MSG_PEEK):
                raise ConnectionError("closed by the other side")
        else:
            waiting = port.in_waiting > 0
        if waiting:
            raise ConnectionError("an unexpected answer is waiting")

    def _discard_waiting(self) -> bool:
        port = self._client.socket
        if isinstance(port, socket.socket):
            return _receivable(port) and bool(port.recv(LONGEST_ANSWERS))
        waiting = bool(port.in_waiting)
        if waiting:
            port.reset_input_buffer()
        return waiting

    def _failure(self, failure: Exception, command: str, started: float, received: int | None = None) -> LinkError:
        return LinkError(
            reason_of(failure),
            instrument=self._instrument,
            address=self._address,
            command=command,
            elapsed=time.monotonic() - started,
            received=received,
        )


def _receivable(connection: socket.socket) -> bool:
    return bool(select.select([connection], [], [], 0)[0])
