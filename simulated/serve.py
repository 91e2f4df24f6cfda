"""A simulated bench on real transports: every instrument at the address the bench file gives it."""

import contextlib
import re
import threading
from collections.abc import Callable, Collection, Iterator
from functools import partial
from pathlib import Path

from simulated.description import InstrumentDescription
from simulated.simulated_bench import SimulatedBench
from simulated.transports.hislip import HislipServer
from simulated.transports.link_faults import Framing
from simulated.transports.listeners import Conversation, TcpListener, nothing
from simulated.transports.scpi_conversation import ScpiTerminal
from simulated.transports.serial_line import IS_DEVICE, SerialLine
from simulated.transports.vxi11 import Vxi11Server

_ON_PORTS: tuple[tuple[str, Framing, type[HislipServer | Vxi11Server] | None], ...] = (
    (r"(?i)TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", "text", None),
    (r"(?i)TCPIP\d*::(?P<host>[^:]+)::hislip\d+,(?P<port>\d+)(?:::INSTR)?", "text", HislipServer),
    (r"(?i)TCPIP\d*::(?P<host>[^:,]+),(?P<port>\d+)::inst\d+(?:::INSTR)?", "text", Vxi11Server),
    (r"(?i)modbus-tcp://(?P<host>[^:/]+):(?P<port>\d+)", "tcp", None),
    (r"(?i)modbus-rtu:socket://(?P<host>[^:/]+):(?P<port>\d+)", "rtu", None),
)
"""Forms of addresses with a port: what is spoken there, and in what sessions."""
_SERIAL, _MODBUS_RTU = r"(?i)ASRL(/[^:]+)::INSTR", r"(?i)modbus-rtu:(.+)"
_TEXT = (
    "TCPIP::host::port::SOCKET, TCPIP::host::hislip0,port::INSTR, TCPIP::host,port::inst0::INSTR or ASRL/path::INSTR"
)
_REGISTERS = "modbus-tcp://host:port, modbus-rtu:socket://host:port or modbus-rtu:/path"

LOOK_AT_WATCHDOG_EVERY = 0.02
"""Seconds between checks of the watchdog."""


class SimulationError(Exception):
    """An instrument could not be put on its address; the message names both."""


@contextlib.contextmanager
def serve(bench: SimulatedBench, one_client: Collection[str] = ()) -> Iterator[dict[str, str]]:
    """Put every instrument that is not a person on its address; gives the addresses by the instruments' names.

    Forms for SCPI: `TCPIP::host::port::SOCKET`, `TCPIP::host::hislip0,port::INSTR` (HiSLIP),
    `TCPIP::host,port::inst0::INSTR` (VXI-11) and, where there are pseudo-terminals, `ASRL/path::INSTR`; for registers:
    `modbus-tcp://host:port`, `modbus-rtu:socket://host:port` and `modbus-rtu:/path`. Port 0 takes a free port, which the
    address given back names. Those in `one_client` answer one client of their socket at a time. Raises SimulationError when
    an address is taken or has another form, after closing what was open.
    """
    with contextlib.ExitStack() as open_now:
        addresses = {}
        for instrument in bench.description.instruments:
            if instrument.profile is None:
                continue
            try:
                clients = 1 if instrument.name in one_client else None
                addresses[instrument.name] = _put_on_address(bench, instrument, clients, open_now)
            except OSError as failure:
                raise SimulationError(
                    f"instrument {instrument.name!r}: cannot serve {instrument.address}: {failure.strerror or failure}"
                ) from failure
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


def _put_on_address(
    bench: SimulatedBench, instrument: InstrumentDescription, clients: int | None, open_now: contextlib.ExitStack
) -> str:
    """Serve one instrument until `open_now` closes; return its address with its port. Raises SimulationError, OSError."""
    address, name = instrument.address, instrument.name
    text = isinstance(bench.terminal(name), ScpiTerminal)
    absent = partial(bench.absent, name)
    for pattern, framing, sessions in _ON_PORTS:
        if (framing == "text") is text and (found := re.fullmatch(pattern, address)):
            converse: Callable[[], Conversation] = partial(bench.conversation, name, framing)
            ended: Callable[[Conversation], None] = nothing
            if sessions is not None and instrument.profile is not None:
                server = sessions(converse, instrument.profile.write_termination, instrument.profile.read_termination)
                converse, ended = server.connection, server.ended
            listener = TcpListener(found["host"], int(found["port"]), converse, absent, ended, clients)
            open_now.callback(listener.close)
            return f"{address[: found.start('port')]}{listener.port}{address[found.end('port') :]}"
    if found := re.fullmatch(_SERIAL if text else _MODBUS_RTU, address):
        if text and not IS_DEVICE:
            raise SimulationError(
                f"instrument {name!r}: found address {address!r}, which needs a pseudo-terminal, and this system "
                "has none; expected TCPIP::host::port::SOCKET"
            )
        line = bench.conversation(name, "text" if text else "rtu")
        open_now.callback(SerialLine(Path(found[1]), line, getattr(line, "pause", tuple), absent).close)
        return address
    raise SimulationError(f"instrument {name!r}: found address {address!r}, expected {_TEXT if text else _REGISTERS}")
