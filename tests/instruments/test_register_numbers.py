"""Numbers and text in 16-bit registers, against pymodbus' own conversion and IEEE 754."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from instruments.register_numbers import decode_registers, decode_text, register_count

TYPES = ModbusClientMixin.DATATYPE
NUMBERS = {
    "uint16": (TYPES.UINT16, st.integers(0, 2**16 - 1)),
    "int16": (TYPES.INT16, st.integers(-(2**15), 2**15 - 1)),
    "uint32": (TYPES.UINT32, st.integers(0, 2**32 - 1)),
    "int32": (TYPES.INT32, st.integers(-(2**31), 2**31 - 1)),
    "uint64": (TYPES.UINT64, st.integers(0, 2**64 - 1)),
    "int64": (TYPES.INT64, st.integers(-(2**63), 2**63 - 1)),
    "float32": (TYPES.FLOAT32, st.floats(width=32, allow_nan=False)),
    "float64": (TYPES.FLOAT64, st.floats(allow_nan=False)),
}


@pytest.mark.parametrize("kind", NUMBERS)
@pytest.mark.parametrize("word_order", ["big", "little"])
@pytest.mark.parametrize("byte_order", ["big", "little"])
@given(data=st.data())
def test_every_number_type_in_every_order(kind: str, word_order: str, byte_order: str, data: st.DataObject) -> None:
    """Against pymodbus' own conversion (word order), with the bytes of each register exchanged where asked for."""
    datatype, numbers = NUMBERS[kind]
    value = data.draw(numbers)
    words = ModbusClientMixin.convert_to_registers(value, datatype, word_order)  # type: ignore[arg-type]
    assert register_count(kind) == len(words)
    if byte_order == "little":
        words = [struct.unpack("<H", struct.pack(">H", w))[0] for w in words]
    assert decode_registers(words, kind, word_order, byte_order) == value


@given(st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=16))
def test_text_in_registers(text: str) -> None:
    """Against pymodbus' string conversion, two characters in a register, padded with NUL."""
    words = ModbusClientMixin.convert_to_registers(text, TYPES.STRING)
    assert decode_text([*words, 0]) == text


@given(st.lists(st.integers(0, 65535), max_size=8), st.sampled_from(["big", "little"]))
def test_any_registers_are_some_text(words: list[int], order: str) -> None:
    """Garbage is shown, never raised."""
    assert all(c.isascii() for c in decode_text(words, order))


@given(st.floats(width=32, allow_nan=False), st.sampled_from(["big", "little"]))
def test_float_registers_hold_ieee_754_single_precision(value: float, order: str) -> None:
    """IEEE 754 binary32 over two registers, most significant register first or last."""
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    assert decode_registers([high, low] if order == "big" else [low, high], "float32", order) == value


def test_register_types() -> None:
    """Two's complement and unsigned readings of the same bits."""
    assert decode_registers([0xFFFF], "int16", "big") == -1
    assert decode_registers([0xFFFF], "uint16", "big") == 65535
    assert decode_registers([0xFFFF, 0xFFFE], "int32", "big") == -2
    assert decode_registers([0x0001, 0x0000], "uint32", "big") == 65536
