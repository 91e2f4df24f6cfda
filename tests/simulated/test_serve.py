"""Real sockets, a real pseudo-terminal, other people's clients."""

from __future__ import annotations

import select
import socket
import statistics
import struct
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from harness.core.clock import RealClock
from instruments.errors import LinkError
from instruments.links.link import LinkSettings
from instruments.links.modbus_link import ModbusLink
from instruments.links.visa_link import VisaLink
from simulated.serve import SimulationError, serve
from simulated.simulated_bench import SimulatedBench
from simulated.transports.link_faults import Schedule
from tests.served import wait_for

Served = tuple[SimulatedBench, dict[str, str]]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")


def port_of(address: str) -> int:
    return int(address.removesuffix("::SOCKET").replace("://", "::").replace(":", " ").split()[-1])


def connect(address: str) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port_of(address)), timeout=5.0)


def ask(connection: socket.socket, text: str) -> str:
    connection.sendall(text.encode() + b"\n")
    reply = b""
    while not reply.endswith(b"\n"):
        reply += connection.recv(4096) or pytest.fail(f"closed after {reply!r}")
    return reply.decode().strip()


def current_of(client: Any) -> float:
    reply = client.read_input_registers(0, count=2, device_id=1)
    assert not reply.isError()
    return float(client.convert_from_registers(reply.registers, client.DATATYPE.FLOAT32))


def test_a_measurement_over_real_transports(served: Served) -> None:
    """Source and multimeter with pyvisa-py on sockets, the meter with pymodbus on a pseudo-terminal."""
    _, at = served
    visa = pyvisa.ResourceManager("@py")
    source, multimeter = (
        visa.open_resource(at[name], read_termination="\n", write_termination="\n", timeout=3000)
        for name in ("source", "multimeter")
    )
    meter: Any = ModbusSerialClient(at["meter"].removeprefix("modbus-rtu:"), baudrate=19200, timeout=2, retries=0)
    assert meter.connect()
    try:
        assert source.query("*IDN?").split(",")[2] == "S-100"  # type: ignore[attr-defined]
        serial = meter.read_holding_registers(256, count=2, device_id=1).registers
        assert meter.convert_from_registers(serial, meter.DATATYPE.UINT32) == 40117
        multimeter.write("CONF:CURR:AC 20")  # type: ignore[attr-defined]
        for current in (20.0, 5.0):
            source.write(f"SOUR:CURR {current}")  # type: ignore[attr-defined]
            source.write("OUTP ON")  # type: ignore[attr-defined]
            settled = pytest.approx(current, rel=0.01)
            wait_for(lambda: float(multimeter.query("READ?")) == settled and current_of(meter) == settled)  # type: ignore[attr-defined]  # noqa: B023
    finally:
        meter.close()
        source.close()
        multimeter.close()
        visa.close()


def test_a_reopened_serial_port(served: Served) -> None:
    """The line stays when a client goes; another client and another unit number."""
    _, at = served
    path = at["meter"].removeprefix("modbus-rtu:")
    for _ in range(2):
        client: Any = ModbusSerialClient(path, baudrate=19200, timeout=1, retries=0)
        assert client.connect()
        assert current_of(client) == 0.0
        assert client.read_input_registers(70, count=2, device_id=1).exception_code == 2
        client.close()


def test_modbus_tcp(make_description: Callable[..., Any]) -> None:
    """Port 0 takes a free port and the address given back names it; two clients at once."""
    with serve(SimulatedBench(make_description(), RealClock())) as at:
        assert at["meter"].startswith("modbus-tcp://127.0.0.1:")
        assert set(at) == {"source", "multimeter", "meter", "relay"}
        clients: list[Any] = [ModbusTcpClient("127.0.0.1", port=port_of(at["meter"]), retries=0) for _ in range(2)]
        assert all(c.connect() for c in clients)
        assert [current_of(c) for c in clients] == [0.0, 0.0]
        for client in clients:
            client.close()


class StandingClock(RealClock):
    """Whoever sleeps on it says so, and sleeps until it goes on."""

    def __init__(self) -> None:
        self.slept_on, self.goes_on = threading.Event(), threading.Event()

    def sleep(self, seconds: float) -> None:
        self.slept_on.set()
        self.goes_on.wait(10)


def test_several_clients_at_once(make_description: Callable[..., Any]) -> None:
    """A reading of one client that takes for ever does not hold up another's query, and replies are not mixed."""
    clock = StandingClock()
    with (
        serve(SimulatedBench(make_description(), clock)) as at,
        connect(at["multimeter"]) as slow,
        connect(at["multimeter"]) as quick,
    ):
        slow.sendall(b"READ?\n")
        assert clock.slept_on.wait(10)
        assert ask(quick, "*OPC?") == "1"
        assert not select.select([slow], [], [], 0)[0]
        clock.goes_on.set()
        assert float(slow.recv(100)) < 1.0


def test_write_then_query_is_quick(served: Served) -> None:
    """No 40 ms of Nagle and delayed acknowledgement: most of 51 times a write and a query in half of that."""
    _, at = served
    with connect(at["source"]) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        took = []
        for _ in range(51):
            begin = time.monotonic()
            connection.sendall(b"SOUR:CURR 1\n")
            assert float(ask(connection, "SOUR:CURR?")) == 1.0
            took.append(time.monotonic() - begin)
        assert statistics.median(took) < 0.02


def test_a_late_reply_over_a_socket(make_description: Callable[..., Any]) -> None:
    """It comes after the client's timeout on the same connection; a new connection is served meanwhile."""
    bench = SimulatedBench(make_description("late-reply"), RealClock(), late_reply_delay=0.6)
    with serve(bench) as at, connect(at["multimeter"]) as connection:
        connection.settimeout(0.4)
        for _ in range(10):
            connection.sendall(b"READ?\n")
            try:
                connection.recv(100)
            except TimeoutError:
                break
        else:
            pytest.fail("no reply was late")
        with connect(at["multimeter"]) as another:
            assert ask(another, "*IDN?").startswith("Simulated,")
        connection.settimeout(2.0)
        assert float(connection.recv(100)) < 1.0


def test_random_bytes_on_the_wire(served: Served) -> None:
    """Nonsense costs its sender an error, and nobody their connection."""
    bench, at = served
    with connect(at["source"]) as connection:
        connection.sendall(bytes(range(256)) * 4 + b"\n*CLS\n")
        assert ask(connection, "*OPC?") == "1"
    assert not bench.truth().load_on


def test_everything_is_given_back(make_description: Callable[..., Any], tmp_path: Path) -> None:
    """After serving: no thread of ours, no path, the ports free again, also with a client still connected."""
    before = set(threading.enumerate())
    path = tmp_path / "meter-port"
    with serve(SimulatedBench(make_description(addresses={"meter": f"modbus-rtu:{path}"}), RealClock())) as at:
        assert path.is_symlink()
        held = connect(at["source"])
        ask(held, "*OPC?")
    assert held.recv(10) == b""
    held.close()
    assert set(threading.enumerate()) == before
    assert not path.is_symlink()
    with pytest.raises(ConnectionRefusedError):
        connect(at["source"])
    address = {"source": at["source"]}
    with serve(SimulatedBench(make_description(addresses=address), RealClock())) as again:
        assert again["source"] == at["source"]


def test_a_taken_port_is_named(make_description: Callable[..., Any]) -> None:
    """Which instrument, which address; what was open already is closed again."""
    before = set(threading.enumerate())
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"TCPIP0::127.0.0.1::{taken.getsockname()[1]}::SOCKET"
        bench = SimulatedBench(make_description(addresses={"relay": address}), RealClock())
        with pytest.raises(SimulationError, match=f"'relay': cannot serve {address}: "), serve(bench):
            pytest.fail("served on a taken port")
    assert set(threading.enumerate()) == before


def test_a_taken_path_is_left_alone(make_description: Callable[..., Any], tmp_path: Path) -> None:
    """A file of the user's is not replaced; a link to a terminal that is gone is."""
    path = tmp_path / "meter-port"
    path.write_text("mine")
    bench = SimulatedBench(make_description(addresses={"meter": f"modbus-rtu:{path}"}), RealClock())
    with pytest.raises(SimulationError, match="'meter': cannot serve modbus-rtu"), serve(bench):
        pytest.fail("served over a file")
    assert path.read_text() == "mine"

    path.unlink()
    path.symlink_to(tmp_path / "gone")
    with serve(bench):
        assert path.exists()


@pytest.mark.parametrize(
    ("name", "address"),
    [("source", "GPIB0::5::INSTR"), ("meter", "TCPIP::127.0.0.1::0::SOCKET"), ("source", "")],
)
def test_an_address_it_cannot_serve(make_description: Callable[..., Any], name: str, address: str) -> None:
    """The form expected is named."""
    bench = SimulatedBench(make_description(addresses={name: address}), RealClock())
    with pytest.raises(SimulationError, match=f"{name!r}: found address {address!r}, expected"), serve(bench):
        pytest.fail("served")


def test_scpi_on_a_serial_line(make_description: Callable[..., Any], tmp_path: Path) -> None:
    """The same core on a pseudo-terminal, with pyserial."""
    import serial

    path = tmp_path / "source-port"
    bench = SimulatedBench(make_description(addresses={"source": f"ASRL{path}::INSTR"}), RealClock())
    with serve(bench), serial.Serial(str(path), 9600, timeout=2.0) as port:
        port.write(b"*IDN?\n")
        assert port.readline().startswith(b"Simulated,SCPI AC current source or load,S-100,")


def test_modbus_tcp_frame_by_hand(make_description: Callable[..., Any]) -> None:
    """Byte by byte over a socket: the frame is answered when it is whole."""
    with serve(SimulatedBench(make_description(), RealClock())) as at, connect(at["meter"]) as connection:
        for byte in struct.pack(">HHHBBHH", 9, 0, 6, 1, 3, 256, 2):
            connection.sendall(bytes([byte]))
        assert connection.recv(100) == struct.pack(">HHHBBBI", 9, 0, 7, 1, 3, 4, 40117)


def test_two_benches_do_not_share(make_description: Callable[..., Any]) -> None:
    """What one bench is told the other does not know."""
    first, second = (SimulatedBench(replace(make_description(), seed=s), RealClock()) for s in (1, 2))
    with serve(first) as one, serve(second) as two, connect(one["source"]) as a, connect(two["source"]) as b:
        a.sendall(b"SOUR:CURR 3\n")
        assert float(ask(a, "SOUR:CURR?")) == 3.0
        assert float(ask(b, "SOUR:CURR?")) == 0.0


def test_a_schedule_strikes_on_every_transport(make_description: Callable[..., Any], tmp_path: Path) -> None:
    """Given to the bench by the instruments' names; one instrument of each kind of address keeps silent once."""
    addresses = {
        "source": "TCPIP::127.0.0.1::hislip0,0::INSTR",
        "multimeter": "TCPIP::127.0.0.1,0::inst0::INSTR",
        "relay": f"ASRL{tmp_path / 'relay-port'}::INSTR",
        "meter": f"modbus-rtu:{tmp_path / 'meter-port'}",
    }
    schedules = {name: Schedule({0: "mute"}) for name in addresses}
    settings = LinkSettings(timeout=0.5)
    with serve(SimulatedBench(make_description(addresses=addresses), RealClock(), schedules=schedules)) as at:
        for name in ("source", "multimeter", "relay"):
            with pytest.raises(LinkError, match="within the timeout"):
                VisaLink(name, at[name], settings).query("*IDN?")
            link = VisaLink(name, at[name], settings)
            assert link.query("*IDN?").startswith("Simulated,")
            link.close()
        with pytest.raises(LinkError):
            ModbusLink("meter", at["meter"], settings).read_registers("input", 0, 2)
    with serve(SimulatedBench(make_description(), RealClock(), schedules={"meter": Schedule({0: "mute"})})) as at:
        with pytest.raises(LinkError):
            ModbusLink("meter", at["meter"], settings).read_registers("input", 0, 2)
        registers = ModbusLink("meter", at["meter"], settings)
        assert registers.read_registers("input", 0, 2) == [0, 0]
        registers.close()
    assert {name: dict(s.counts) for name, s in schedules.items()} == {name: {"mute": 1} for name in addresses}
