"""HiSLIP byte by byte as IVI-6.1 lays it out; with a client: test_message_sessions.py."""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from harness.core.clock import RealClock
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench


@pytest.fixture
def address(make_description: Callable[..., Any]) -> Iterator[str]:
    bench = SimulatedBench(make_description(addresses={"source": "TCPIP::127.0.0.1::hislip0,0::INSTR"}), RealClock())
    with serve(bench) as at:
        assert at["source"].startswith("TCPIP::127.0.0.1::hislip0,")
        yield at["source"]


def port_of(address: str) -> int:
    return int(address.split(",")[1].split(":")[0])


def message(kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    """IVI-6.1, table 3: prologue, type, control code, parameter (32 bits), payload length (64 bits)."""
    return b"HS" + struct.pack(">BBIQ", kind, control, parameter, len(payload)) + payload


class Channel:
    """One connection, by hand."""

    def __init__(self, address: str) -> None:
        self.connection = socket.create_connection(("127.0.0.1", port_of(address)), timeout=2)
        self.stream = self.connection.makefile("rb")

    def ask(self, sent: bytes) -> tuple[int, int, int, bytes]:
        self.connection.sendall(sent)
        return self.take()

    def take(self) -> tuple[int, int, int, bytes]:
        header = self.stream.read(16)
        assert header[:2] == b"HS"
        kind, control, parameter, length = struct.unpack(">BBIQ", header[2:])
        return kind, control, parameter, self.stream.read(length)

    def close(self) -> None:
        self.stream.close()
        self.connection.close()


def test_byte_by_byte(address: str) -> None:
    """IVI-6.1, table 4 (message types): the two channels of a session, a message in two parts, the reply's message number."""
    synchronous, asynchronous = Channel(address), Channel(address)
    kind, control, parameter, _ = synchronous.ask(message(0, 0, 0x01000000 | 0x5858, b"hislip0"))
    assert (kind, control, parameter >> 16) == (1, 0, 0x0100)  # InitializeResponse, synchronous mode, version 1.0
    session = parameter & 0xFFFF
    assert asynchronous.ask(message(17, 0, session))[0] == 18
    size = asynchronous.ask(message(15, 0, 0, struct.pack(">Q", 1 << 20)))
    assert size[0] == 16
    assert struct.unpack(">Q", size[3])[0] >= 1024
    synchronous.connection.sendall(message(6, 0, 0xFFFFFF00, b"*OP"))
    assert synchronous.ask(message(7, 0, 0xFFFFFF02, b"C?")) == (7, 0, 0xFFFFFF02, b"1\n")
    assert asynchronous.ask(message(21, 0, 0xFFFFFF04))[:2] == (22, 0)
    kind, control, _, _ = synchronous.ask(message(60))
    assert (kind, control) == (3, 1)  # Error, unrecognized message type
    synchronous.close()
    asynchronous.close()


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        (b"GET / HTTP/1.1\r\n\r\n", 1),  # poorly formed message header
        (message(7, 0, 0xFFFFFF00, b"*IDN?\n"), 3),  # invalid initialization sequence
        (message(0, 0, 0x01005858, b"hislip0") + message(7, 0, 0xFFFFFF00, b"*IDN?\n"), 2),  # both channels needed
    ],
)
def test_fatal_errors_end_the_connection(address: str, sent: bytes, code: int) -> None:
    """IVI-6.1, table 14 (fatal error codes, value from memory)."""
    channel = Channel(address)
    reply = channel.ask(sent)
    if reply[0] == 1:
        reply = channel.take()
    assert reply[:2] == (2, code)
    assert channel.stream.read() == b""
    channel.close()
