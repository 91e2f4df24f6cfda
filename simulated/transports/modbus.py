"""Modbus for meters: a register map, and the two framings of the published Modbus specifications.

Functions 3 (read holding registers) and 4 (read input registers) of the MODBUS Application Protocol V1.1b3; anything
else is answered with exception 1. Values are taken when a request arrives.
"""

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from instruments.profile_tables import Register, SerialRegisters

_FUNCTION_CODES = {3: "holding", 4: "input"}
# A separate table: a mistake in one shared with the client would cancel and never be seen.
_FORMATS = {
    "uint16": ">H",
    "int16": ">h",
    "uint32": ">I",
    "int32": ">i",
    "uint64": ">Q",
    "int64": ">q",
    "float32": ">f",
    "float64": ">d",
}
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
_LARGEST_READ = 125


class IllegalAddress(LookupError): ...


@dataclass(frozen=True)
class RegisterMap:
    """The registers of a meter: the place of each quantity and a function for its present value."""

    registers: Mapping[str, Register]
    read: Callable[[str], float]
    serial_registers: SerialRegisters | None
    serial: str

    def words(self, function: str, address: int, count: int) -> list[int]:
        """`count` 16-bit words from `address`. Raises IllegalAddress when one of them does not exist."""
        held: dict[int, int] = {}
        wanted = range(address, address + count)
        for name, register in self.registers.items():
            length = struct.calcsize(_FORMATS[register.type]) // 2
            if register.function == function and register.address < wanted.stop and register.address + length > address:
                held.update(enumerate(encoded(register, self.read(name)), register.address))
        place = self.serial_registers
        if place is not None and place.function == function:
            held.update(enumerate(_serial_words(place, self.serial), place.address))
        try:
            return [held[i] for i in wanted]
        except KeyError as missing:
            raise IllegalAddress(f"no {function} register {missing.args[0]}") from None


def serial_number(serial: str) -> int:
    """The digits of `serial` as an unsigned number; 0 when it has none."""
    return int("".join(c for c in serial if c in "0123456789") or "0")


def _serial_words(place: SerialRegisters, serial: str) -> list[int]:
    if place.type == "ascii":
        size = 2 * place.count
        return _ordered(serial.encode("ascii", "replace")[:size].ljust(size, b"\0"), place, "big")
    size = struct.calcsize(_FORMATS[place.type])
    return _ordered((serial_number(serial) % 256**size).to_bytes(size, "big"), place, place.word_order)


def encoded(register: Register, value: float) -> list[int]:
    """`value` as the register's words; integers are limited to what their type holds."""
    number = value / register.scale
    if register.type.startswith("float"):
        data = struct.pack(_FORMATS[register.type], number)
    else:
        bits = 8 * struct.calcsize(_FORMATS[register.type])
        low, high = (0, 2**bits - 1) if register.type.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        data = struct.pack(_FORMATS[register.type], min(high, max(low, round(number))))
    return _ordered(data, register, register.word_order)


def _ordered(data: bytes, place: Register | SerialRegisters, word_order: str) -> list[int]:
    """`data`, most significant byte first, as registers in the order of words and bytes of `place`."""
    words = [int.from_bytes(data[i : i + 2], place.byte_order) for i in range(0, len(data), 2)]
    return words if word_order == "big" else words[::-1]


def answer(registers: RegisterMap, request: bytes) -> bytes:
    """The response to a request, both without framing (a protocol data unit: function code and data)."""
    code = request[0]
    function = _FUNCTION_CODES.get(code)
    if function is None:
        return bytes([code | 0x80, ILLEGAL_FUNCTION])
    if len(request) != 5:
        return bytes([code | 0x80, ILLEGAL_VALUE])
    address, count = struct.unpack(">HH", request[1:])
    if not 1 <= count <= _LARGEST_READ:
        return bytes([code | 0x80, ILLEGAL_VALUE])
    try:
        words = registers.words(function, address, count)
    except IllegalAddress:
        return bytes([code | 0x80, ILLEGAL_ADDRESS])
    return bytes([code, 2 * count]) + b"".join(w.to_bytes(2, "big") for w in words)


class TcpConversation:
    """One Modbus TCP connection: MBAP header of 7 bytes, then the protocol data unit."""

    def __init__(self, registers: RegisterMap, unit_id: int) -> None:
        self._registers = registers
        self._unit_id = unit_id
        self._pending = b""

    def receive(self, data: bytes) -> list[tuple[bytes, float]]:
        """Process `data`; return the response frames it completed, each with its delay in seconds. Never raises."""
        self._pending += data
        replies = []
        while len(self._pending) >= 8:
            transaction, protocol, length, unit = struct.unpack(">HHHB", self._pending[:7])
            if protocol != 0 or not 2 <= length <= 254:
                self._pending = b""
                break
            if len(self._pending) < 6 + length:
                break
            request, self._pending = self._pending[7 : 6 + length], self._pending[6 + length :]
            if unit in (0, self._unit_id, 255):
                response = answer(self._registers, request)
                header = struct.pack(">HHHB", transaction, 0, len(response) + 1, unit)
                replies.append((header + response, 0.0))
        return replies


class RtuConversation:
    """A Modbus RTU slave on a line. A frame ends with a pause, which the line's reader reports by `pause`."""

    def __init__(self, registers: RegisterMap, unit_id: int) -> None:
        self._registers = registers
        self._unit_id = unit_id
        self._pending = b""

    def receive(self, data: bytes) -> list[tuple[bytes, float]]:
        """Process `data`; answers as soon as the 8 bytes of a read request are complete and their check fits."""
        self._pending = (self._pending + data)[-256:]
        return self._frame() if len(self._pending) == 8 else []

    def pause(self) -> list[tuple[bytes, float]]:
        """Process the silence of the line: the bytes received are a whole frame, or noise to be dropped."""
        replies = self._frame() if len(self._pending) >= 4 else []
        self._pending = b""
        return replies

    def _frame(self) -> list[tuple[bytes, float]]:
        body, check = self._pending[:-2], self._pending[-2:]
        if check != crc(body):
            return []
        self._pending = b""
        if body[0] != self._unit_id:
            return []
        response = bytes([self._unit_id]) + answer(self._registers, body[1:])
        return [(response + crc(response), 0.0)]


def crc(frame: bytes) -> bytes:
    """CRC-16 of a Modbus RTU frame, low byte first: polynomial 0xA001 (reflected), initial value 0xFFFF. MODBUS over Serial Line V1.02, 6.2.2."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")
