"""Modbus against the published specifications and against pymodbus."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.framer.rtu import FramerRTU

from instruments.profile_tables import Register, SerialRegisters
from simulated.transports.modbus import (
    IllegalAddress,
    RegisterMap,
    RtuConversation,
    TcpConversation,
    answer,
    crc,
    encoded,
)


def register_map(serial: str = "40117") -> RegisterMap:
    words = {"first": 0x022B, "second": 0x0000, "third": 0x0064, "input": 0x000A}
    registers = {
        name: Register(unit="A", address=107 + i, function="holding", type="uint16")
        for i, name in enumerate(("first", "second", "third"))
    }
    registers["input"] = Register(unit="A", address=8, function="input", type="uint16")
    return RegisterMap(registers, lambda name: float(words[name]), SerialRegisters(address=256), serial)


@pytest.mark.parametrize(
    ("request_hex", "response_hex"),
    [
        ("03 006B 0003", "03 06 022B 0000 0064"),
        ("04 0008 0001", "04 02 000A"),
    ],
)
def test_the_specification_s_examples(request_hex: str, response_hex: str) -> None:
    """MODBUS Application Protocol V1.1b3, 6.3 and 6.4: registers 108 to 110, and input register 9."""
    assert answer(register_map(), bytes.fromhex(request_hex)) == bytes.fromhex(response_hex)


@pytest.mark.parametrize(
    ("request_hex", "response_hex"),
    [
        ("05 0000 FF00", "85 01"),
        ("03 006B 0000", "83 03"),
        ("03 006B 007E", "83 03"),
        ("03 006B 0004", "83 02"),
        ("04 FFFF 0002", "84 02"),
        ("03 00", "83 03"),
    ],
)
def test_exceptions(request_hex: str, response_hex: str) -> None:
    """Same document, 7: 1 illegal function, 2 illegal data address, 3 illegal data value (count 1 to 125)."""
    assert answer(register_map(), bytes.fromhex(request_hex)) == bytes.fromhex(response_hex)


def test_crc_check_value() -> None:
    """CRC-16/MODBUS of "123456789" is 4B37 (catalogue of CRC algorithms, value from memory), low byte first."""
    assert crc(b"123456789") == bytes.fromhex("374B")


@given(st.binary(min_size=1, max_size=64))
def test_crc_agrees_with_pymodbus(data: bytes) -> None:
    """Two implementations, one check."""
    assert int.from_bytes(crc(data), "big") == FramerRTU.compute_CRC(data)


@pytest.mark.parametrize("word_order", ["big", "little"])
@pytest.mark.parametrize(
    ("kind", "pymodbus_kind", "value"),
    [
        ("uint16", ModbusClientMixin.DATATYPE.UINT16, 65535),
        ("int16", ModbusClientMixin.DATATYPE.INT16, -2),
        ("uint32", ModbusClientMixin.DATATYPE.UINT32, 70000),
        ("int32", ModbusClientMixin.DATATYPE.INT32, -70000),
        ("float32", ModbusClientMixin.DATATYPE.FLOAT32, 3.5),
    ],
)
def test_encoding_is_what_pymodbus_decodes(
    kind: str, pymodbus_kind: ModbusClientMixin.DATATYPE, value: float, word_order: str
) -> None:
    """Scale 0.01: the register holds value / 0.01."""
    register = Register.model_validate(
        {"unit": "A", "address": 0, "type": kind, "word_order": word_order, "scale": 0.01}
    )
    words = encoded(register, value * 0.01)
    decoded = ModbusClientMixin.convert_from_registers(words, pymodbus_kind, word_order=word_order)  # type: ignore[arg-type]
    assert decoded == pytest.approx(value)


def test_serial_number_over_two_registers() -> None:
    """An unsigned number, high word first; its neighbours do not exist."""
    assert register_map().words("holding", 256, 2) == [0, 40117]
    with pytest.raises(IllegalAddress, match="258"):
        register_map().words("holding", 257, 2)
    with pytest.raises(IllegalAddress):
        register_map().words("input", 256, 2)


def test_a_lettered_serial_number_has_the_number_of_its_digits() -> None:
    """Registers hold no letters; the unit answers all the same."""
    assert register_map("QB-40117").words("holding", 256, 2) == [0, 40117]
    assert register_map("none").words("holding", 256, 2) == [0, 0]


def test_rtu_frames() -> None:
    """Answers its own unit only, needs a good check, and finds its feet again after noise and a pause."""
    line = RtuConversation(register_map(), 17)
    request = bytes.fromhex("11 03 006B 0003")
    frame = request + crc(request)
    response = bytes.fromhex("11 03 06 022B 0000 0064")
    expected = [(response + crc(response), 0.0)]

    assert line.receive(frame[:3]) == []
    assert line.receive(frame[3:]) == expected
    assert line.receive(frame[:-1] + b"\x00") == []
    assert line.pause() == []
    assert line.receive(b"\xff\xff" + frame) == []
    assert line.pause() == []
    assert line.receive(frame) == expected
    other = b"\x12" + request[1:]
    assert line.receive(other + crc(other)) == []


@given(st.lists(st.binary(max_size=64), max_size=8))
def test_no_bytes_make_a_conversation_raise(pieces: list[bytes]) -> None:
    """Noise on the line is dropped; after a pause the serial line answers again."""
    line, tcp = RtuConversation(register_map(), 1), TcpConversation(register_map(), 1)
    for piece in pieces:
        line.receive(piece)
        tcp.receive(piece)
    line.pause()
    request = bytes.fromhex("01 04 0008 0001")
    assert line.receive(request + crc(request)) != []


def test_tcp_frames_in_pieces() -> None:
    """MBAP header: transaction, protocol 0, length, unit; two requests in one piece get two answers."""
    tcp = TcpConversation(register_map(), 1)
    frame = struct.pack(">HHHB", 5, 0, 6, 1) + bytes.fromhex("04 0008 0001")
    expected = struct.pack(">HHHB", 5, 0, 5, 1) + bytes.fromhex("04 02 000A")

    assert tcp.receive(frame[:9]) == []
    assert tcp.receive(frame[9:] + frame) == [(expected, 0.0), (expected, 0.0)]
