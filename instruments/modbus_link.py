"""A `RegisterLink` over pymodbus: RTU on a serial port, or TCP.

Addresses are ours: ``modbus-tcp://host:port`` and ``modbus-rtu:PATH``. On a serial line a late answer looks like the
answer to the next request, so a new RTU link first listens until the line has been quiet.
"""

from __future__ import annotations

import contextlib
import logging
import time
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import urlsplit

from instruments.errors import LinkError

LONGEST = 3
"""A line that never falls quiet is given up after this many times the timeout; the exchange that follows will fail then."""


class ModbusLink:
    """The registers of one unit."""

    def __init__(
        self,
        instrument: str,
        address: str,
        *,
        timeout: float = 3.0,
        unit_id: int = 1,
        baud_rate: int = 19200,
        drain: bool = False,
    ) -> None:
        """Open `address`; with `drain` first wait until no stray answer has come for `timeout` seconds. Raises LinkError."""
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient

        # What pymodbus would print on its own comes from here as an error with its context.
        logging.getLogger("pymodbus.logging").addHandler(logging.NullHandler())

        self._instrument, self._address, self._unit_id = instrument, address, unit_id
        self._lock = Lock()
        self._client: Any = None
        started = time.monotonic()
        try:
            if address.startswith("modbus-tcp://"):
                parts = urlsplit(address)
                self._client = ModbusTcpClient(parts.hostname or "", port=parts.port or 502, timeout=timeout, retries=0)
            elif address.startswith("modbus-rtu:"):
                path = address.removeprefix("modbus-rtu:")
                self._client = ModbusSerialClient(str(Path(path)), baudrate=baud_rate, timeout=timeout, retries=0)
            else:
                raise ValueError("expected modbus-tcp://HOST:PORT or modbus-rtu:PATH")
            if not self._client.connect():
                raise ConnectionError("cannot be opened")
            if drain and address.startswith("modbus-rtu:"):
                _drain(self._client.socket, timeout)
        except Exception as failure:
            self.close()
            raise LinkError(
                " ".join(str(failure).split()),
                instrument=instrument,
                address=address,
                command="open",
                elapsed=time.monotonic() - started,
            ) from failure

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        """`count` registers from `address`. Raises LinkError on no answer, a wrong answer or an exception reply."""
        command = f"read {function} registers {address}..{address + count - 1}"
        with self._lock:
            if self._client is None:
                raise LinkError("link is closed", instrument=self._instrument, address=self._address, command=command)
            started = time.monotonic()
            read = self._client.read_input_registers if function == "input" else self._client.read_holding_registers
            try:
                reply = read(address, count=count, device_id=self._unit_id)
                if reply.isError():
                    raise ConnectionError(f"exception reply {reply}")
                registers = list(reply.registers)
                if len(registers) != count:
                    raise ConnectionError(f"{len(registers)} registers instead of {count}")
            except Exception as failure:
                self.close()
                raise LinkError(
                    " ".join(str(failure).split()),
                    instrument=self._instrument,
                    address=self._address,
                    command=command,
                    elapsed=time.monotonic() - started,
                ) from failure
            return registers

    def close(self) -> None:
        """Close the connection; never raises."""
        client, self._client = self._client, None
        if client is not None:
            # A dead session may fail in any way, and there is nothing left to lose.
            with contextlib.suppress(Exception):
                client.close()


def _drain(port: Any, quiet: float) -> None:
    """Throw away what still arrives on a serial port until nothing has come for `quiet` seconds, at most `LONGEST` times that.

    The answer that missed the timeout may be as late again; on this line nothing in it would tell it from the next one.
    """
    end = time.monotonic() + LONGEST * quiet
    quiet_since = time.monotonic()
    while time.monotonic() < end and time.monotonic() - quiet_since < quiet:
        if port.in_waiting:
            port.reset_input_buffer()
            quiet_since = time.monotonic()
        time.sleep(0.005)
