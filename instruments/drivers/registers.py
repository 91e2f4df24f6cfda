"""A Modbus instrument as its profile describes it: a serial number and quantities in registers that are only read."""

import math
from collections.abc import Callable, Sequence

from instruments.errors import InstrumentError, ReplyError
from instruments.links.link import Now, RegisterLink
from instruments.operator.plausibility import Expected
from instruments.profile import Profile
from instruments.reading import Identity, Reading
from instruments.register_numbers import decode_registers, decode_text, register_count

LARGEST = {"current": 1e6}
"""Limits of plausible readings: a register map read with the wrong type or order gives larger ones."""


class RegisterInstrument:
    """One unit on one link."""

    by_person = False

    def __init__(
        self, name: str, address: str, profile: Profile, open_link: Callable[[bool], RegisterLink], now: Now
    ) -> None:
        """`open_link(drain)` makes a fresh link; `drain` makes it discard late answers first."""
        self.name, self.address, self.profile = name, address, profile
        self._open_link, self._now = open_link, now
        self._link: RegisterLink | None = None
        self._opened_before = False

    def open(self) -> None:
        """Open a fresh link; a reopened serial line is drained. Raises LinkError."""
        self.close()
        self._link = self._open_link(self._opened_before)
        self._opened_before = True

    def identify(self) -> Identity:
        """Read the serial number registers; a profile without them identifies nothing. Raises LinkError."""
        part = self.profile.serial_registers
        if part is None:
            self.read_quantity(next(iter(self.profile.registers)))
            return Identity(self.profile.title, "")
        if part.type == "ascii":
            serial = decode_text(self._registers(part.function, part.address, part.count), part.byte_order)
        else:
            words = self._registers(part.function, part.address, register_count(part.type))
            serial = str(decode_registers(words, part.type, part.word_order, part.byte_order))
        return Identity(f"{self.profile.title}, serial {serial}", serial)

    def start(self) -> None: ...

    def read_quantity(self, name: str) -> Reading:
        """The value in the registers of a quantity. Raises LinkError, ReplyError or, without such registers, InstrumentError."""
        register = self.profile.registers.get(name)
        if register is None:
            raise InstrumentError(
                f"its profile {self.profile.title!r} has no registers for {name!r}",
                instrument=self.name,
                address=self.address,
            )
        started = self._now()
        words = self._registers(register.function, register.address, register_count(register.type))
        value = decode_registers(words, register.type, register.word_order, register.byte_order) * register.scale
        raw = " ".join(f"{w:04x}" for w in words)
        if not abs(value) < LARGEST.get(name, math.inf):
            self.close()
            raise ReplyError(
                f"registers {raw} hold {value}",
                instrument=self.name,
                address=self.address,
                command=f"register {register.address}",
            )
        return Reading(value, register.unit, raw, started, self._now())

    def can_read_beside_current(self, name: str) -> bool:
        return name in self.profile.registers

    def read_beside(self, names: Sequence[str], expected: Expected | None = None) -> dict[str, Reading]:
        return {name: self.read_quantity(name) for name in names}

    def make_safe(self) -> None: ...

    def confirm_safe(self) -> tuple[bool, str]:
        return True, ""

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None

    def _registers(self, function: str, address: int, count: int) -> list[int]:
        if self._link is None:
            raise ReplyError(
                "link is not open", instrument=self.name, address=self.address, command=f"register {address}"
            )
        return self._link.read_registers(function, address, count)
