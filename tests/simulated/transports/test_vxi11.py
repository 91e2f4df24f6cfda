"""VXI-11 byte by byte as the specifications lay it out; with a client: test_message_sessions.py."""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.core.clock import RealClock
from simulated.serve import SimulationError, serve
from simulated.simulated_bench import SimulatedBench


@pytest.fixture
def address(make_description: Callable[..., Any]) -> Iterator[str]:
    bench = SimulatedBench(make_description(addresses={"source": "TCPIP::127.0.0.1,0::inst0::INSTR"}), RealClock())
    with serve(bench) as at:
        assert at["source"].startswith("TCPIP::127.0.0.1,")
        assert at["source"].endswith("::inst0::INSTR")
        yield at["source"]


def port_of(address: str) -> int:
    return int(address.split(",")[1].split(":")[0])


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
