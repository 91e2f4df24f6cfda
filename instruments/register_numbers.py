"""Numbers and text in 16-bit registers, by the types and orders of a profile."""

import struct

_REGISTER_FORMATS = {
    "uint16": ">H",
    "int16": ">h",
    "uint32": ">I",
    "int32": ">i",
    "uint64": ">Q",
    "int64": ">q",
    "float32": ">f",
    "float64": ">d",
}


def decode_registers(registers: list[int], type: str, word_order: str, byte_order: str = "big") -> float:
    """The number in 16-bit `registers`; `type` as in a profile, both orders "big" or "little". Integers keep all 64 bits."""
    words = registers if word_order == "big" else registers[::-1]
    value: float = struct.unpack(_REGISTER_FORMATS[type], _bytes(words, byte_order))[0]
    return value


def decode_text(registers: list[int], byte_order: str = "big") -> str:
    """The ASCII text in `registers`, two characters in each, up to the first NUL, stripped. Other characters become question marks."""
    data = _bytes(registers, byte_order).split(b"\0")[0]
    return data.decode("ascii", "replace").replace("\ufffd", "?").strip()


def register_count(type: str) -> int:
    """Number of 16-bit registers of a number of `type`."""
    return struct.calcsize(_REGISTER_FORMATS[type]) // 2


def _bytes(words: list[int], byte_order: str) -> bytes:
    return struct.pack(f"{'>' if byte_order == 'big' else '<'}{len(words)}H", *words)
