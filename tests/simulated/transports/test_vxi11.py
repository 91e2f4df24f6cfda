"""VXI-11 with pyvisa-py's client, and byte by byte as the specifications lay it out."""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import pyvisa

from harness.core.clock import RealClock
from instruments.errors import LinkError
from instruments.links.link import LinkSettings
from instruments.links.visa_link import VisaLink
from simulated.bench import SimulatedBench
from simulated.serve import SimulationError, serve

QUICK = LinkSettings(timeout=0.4)


@pytest.fixture
def address(make_description: Callable[..., Any]) -> Iterator[str]:
    bench = SimulatedBench(make_description(addresses={"source": "TCPIP::127.0.0.1,0::inst0::INSTR"}), RealClock())
    with serve(bench) as at:
        assert at["source"].startswith("TCPIP::127.0.0.1,")
        assert at["source"].endswith("::inst0::INSTR")
        yield at["source"]


def port_of(address: str) -> int:
    return int(address.split(",")[1].split(":")[0])


def test_pyvisa_py_talks_to_it(address: str) -> None:
    """PyVISA-py is an independent client of the specification: identify, set, read back, clear, status byte."""
    visa = pyvisa.ResourceManager("@py")
    source: Any = visa.open_resource(address, timeout=2000)
    assert source.query("*IDN?").split(",")[2] == "S-100"
    source.write("SOUR:CURR 1.5")
    assert float(source.query("SOUR:CURR?")) == 1.5
    assert source.read_stb() == 0
    source.clear()
    assert source.query("*OPC?").strip() == "1"
    source.close()
    visa.close()


def test_a_link_over_it_and_what_it_says_when_nothing_comes(address: str) -> None:
    """Replies come without their terminators; a question nobody understands times out, with context, and closes the link."""
    link = VisaLink("source", address, QUICK)
    assert link.query("*IDN?") == "Simulated,SCPI AC current source or load,S-100,1.0"
    began = time.monotonic()
    with pytest.raises(LinkError, match="within the timeout") as caught:
        link.query("NONSENSE?")
    assert time.monotonic() - began < 1.5
    assert (caught.value.instrument, caught.value.address, caught.value.command) == ("source", address, "NONSENSE?")
    with pytest.raises(LinkError, match="link is closed"):
        link.query("*IDN?")
    again = VisaLink("source", address, QUICK)
    assert again.query("SYST:ERR?") == '-113,"Undefined header"'
    again.close()


def opened_once_free(address: str) -> VisaLink:
    """A locked link, once the instrument has seen that the one before has ended. Raises LinkError when it never does."""
    for attempts_left in reversed(range(10)):
        try:
            return VisaLink("source", address, LinkSettings(timeout=0.4, lock=True))
        except LinkError:
            if not attempts_left:
                raise
    raise AssertionError("unreachable")


def test_a_lock_keeps_others_out_until_its_connection_ends(address: str) -> None:
    """Device_lock of the core channel: error 11, device locked by another link."""
    holder = VisaLink("source", address, LinkSettings(timeout=0.4, lock=True))
    assert holder.query("*OPC?") == "1"
    with pytest.raises(LinkError, match="LOCKED"):
        VisaLink("source", address, LinkSettings(timeout=0.4, lock=True))
    other = VisaLink("source", address, QUICK)
    with pytest.raises(LinkError, match="write failed"):
        other.query("*OPC?")
    holder.close()
    free = opened_once_free(address)
    assert free.query("*OPC?") == "1"
    free.close()


def record(body: bytes) -> bytes:
    """RFC 5531, section 11, record marking: one last fragment."""
    return struct.pack(">I", 0x80000000 | len(body)) + body


def call(number: int, procedure: int, arguments: bytes = b"", program: int = 0x0607AF) -> bytes:
    """RFC 5531, section 9: call, RPC version 2, program, version 1, procedure, no credentials, no verifier."""
    return struct.pack(">10I", number, 0, 2, program, 1, procedure, 0, 0, 0, 0) + arguments


def test_byte_by_byte(address: str) -> None:
    """RFC 5531 and VXI-11 section B: the null procedure, a call in two fragments, what is not there, a read in parts."""
    with socket.create_connection(("127.0.0.1", port_of(address)), timeout=2) as connection:
        stream = connection.makefile("rb")

        def reply() -> tuple[int, ...]:
            (mark,) = struct.unpack(">I", stream.read(4))
            assert mark & 0x80000000
            body = stream.read(mark & 0x7FFFFFFF)
            return struct.unpack(f">{len(body) // 4}I", body)

        connection.sendall(record(call(1, 0)))
        assert reply() == (1, 1, 0, 0, 0, 0)
        create = call(2, 10, struct.pack(">IIII", 7, 0, 0, 5) + b"inst0\0\0\0")
        for part in (struct.pack(">I", 20) + create[:20], record(create[20:])):
            connection.sendall(part)
        *head, error, link, _abort_port, largest = reply()
        assert head == [2, 1, 0, 0, 0, 0]
        assert error == 0
        assert largest >= 1024  # VXI-11, rule B.6.3: maxRecvSize at least 1024
        connection.sendall(record(call(3, 99)))
        assert reply()[5] == 3  # PROC_UNAVAIL
        connection.sendall(record(call(4, 0, program=100000)))
        assert reply()[5] == 1  # PROG_UNAVAIL
        connection.sendall(record(call(5, 11, struct.pack(">II", link, 0))))
        assert reply()[5] == 4  # GARBAGE_ARGS
        connection.sendall(record(call(6, 11, struct.pack(">IIIII", link + 1, 500, 0, 8, 0))))
        assert reply()[6] == 4  # invalid link identifier
        connection.sendall(record(call(7, 11, struct.pack(">IIIII", link, 500, 0, 8, 5) + b"*OPC?\0\0\0")))
        assert reply()[6:] == (0, 5)
        connection.sendall(record(call(8, 12, struct.pack(">IIIIII", link, 1, 500, 0, 0, 0))))
        assert reply()[6:] == (0, 1, 1, int.from_bytes(b"1\0\0\0", "big"))  # reason: count reached
        connection.sendall(record(call(9, 12, struct.pack(">IIIIII", link, 100, 500, 0, 0, 0))))
        assert reply()[6:] == (0, 4, 1, int.from_bytes(b"\n\0\0\0", "big"))  # reason: end
        connection.sendall(record(call(10, 12, struct.pack(">IIIIII", link, 100, 50, 0, 0, 0))))
        assert reply()[6] == 15  # I/O timeout
        connection.sendall(record(call(11, 23, struct.pack(">I", link))))
        assert reply()[6] == 0
        stream.close()


def test_a_taken_port_is_named(make_description: Callable[..., Any]) -> None:
    """As for every other transport."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"TCPIP::127.0.0.1,{taken.getsockname()[1]}::inst0::INSTR"
        bench = SimulatedBench(make_description(addresses={"source": address}), RealClock())
        with pytest.raises(SimulationError, match=f"'source': cannot serve {address}"), serve(bench):
            pytest.fail("served on a taken port")
