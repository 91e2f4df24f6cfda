"""The parts instruments play on the bench, and the drivers that play them.

Every driver can be opened, identified, made safe, asked whether it is safe, and closed. Beyond that a `Load` drives
current, a `Reference` and a `Meter` read it, a `Switch` moves the device to a range.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from instruments.errors import QueuedError, ReplyError
from instruments.link import Link, Now, RegisterLink
from instruments.numbers import decode_registers, register_count
from instruments.person import Person
from instruments.profile import Profile, Register
from instruments.reading import Identity, Reading
from instruments.scpi import ScpiInstrument


class Instrument(Protocol):
    """What every driver can do."""

    name: str
    address: str

    def open(self) -> None:
        """Open a fresh link, dropping the old one."""

    def identify(self) -> Identity:
        """Who answers."""

    def start(self) -> None:
        """Bring a freshly opened instrument to where it can be used."""

    def make_safe(self) -> None:
        """Send the safe commands."""

    def confirm_safe(self) -> tuple[bool, str]:
        """Whether it is safe, and what it answered."""

    def close(self) -> None:
        """Let go; never raises."""


class Load(Instrument, Protocol):
    """Drives the current."""

    def protect(self, limit: float) -> None:
        """Have the instrument itself refuse more than `limit` amperes, where its profile can."""

    def drive(self, current: float) -> None:
        """Set `current` amperes and switch the output on."""


class Reference(Instrument, Protocol):
    """Reads the current everything is compared with."""

    def configure(self, full_scale: float) -> None:
        """Go to the range with this full scale, in the instrument's own unit."""

    def read(self) -> Reading:
        """A fresh reading in the instrument's own unit."""

    def check(self) -> None:
        """Raise when an error was queued behind good replies."""


class Meter(Instrument, Protocol):
    """The device under verification."""

    by_person: bool

    def read(self, expected: float | None) -> Reading:
        """What the device shows, in amperes of its own scale; `expected` helps a person see a slip."""


class Switch(Instrument, Protocol):
    """Moves the device to a range."""

    def select(self, range_name: str) -> str:
        """Go there, confirm, and say what confirmed it."""


class ScpiLoad(ScpiInstrument):
    """A programmable load or current source."""

    def protect(self, limit: float) -> None:
        """Set the instrument's own current limit. Does nothing where the profile has no such command."""
        commands = self.quantity("current").protect
        if commands:
            self.tell_checked(commands, limit)

    def drive(self, current: float) -> None:
        """Set `current` amperes, switch the output on and read the setting back. Raises InstrumentError."""
        self.set("current", current)
        self.tell(self.profile.on)
        self.check_errors(self.profile.on[-1])
        back = self.read_quantity("current").value
        if abs(back - current) > 0.01 * current + 1e-6:
            raise QueuedError(
                f"set to {current:g} A but says {back:g} A",
                instrument=self.name,
                address=self.address,
                command=self.quantity("current").get,
            )


class ScpiReference(ScpiInstrument):
    """A multimeter or analyser."""

    def configure(self, full_scale: float) -> None:
        """Go to the range with this full scale. Raises InstrumentError."""
        commands = self.quantity("current").configure
        if commands:
            self.tell_checked(commands, full_scale)

    def read(self) -> Reading:
        """A fresh reading. Raises LinkError or ReplyError."""
        return self.read_quantity("current")

    def check(self) -> None:
        """Raise QueuedError when an error was queued behind good replies."""
        self.check_errors(self.quantity("current").get)


class ScpiMeter(ScpiInstrument):
    """A device that itself speaks SCPI."""

    by_person = False

    def read(self, expected: float | None = None) -> Reading:
        """What the device shows. Raises LinkError or ReplyError."""
        return self.read_quantity("current")


class ScpiSwitch(ScpiInstrument):
    """A relay that moves the range switch; `positions` gives the relay's text for each range."""

    def __init__(
        self,
        name: str,
        address: str,
        profile: Profile,
        open_link: Callable[[], Link],
        now: Now,
        positions: dict[str, str],
    ) -> None:
        super().__init__(name, address, profile, open_link, now)
        self._positions = positions

    def select(self, range_name: str) -> str:
        """Move, check the error queue, and ask whether it got there. Raises InstrumentError."""
        part = self.profile.switching
        if part is None or range_name not in self._positions:
            raise ReplyError(f"no position for range {range_name!r}", instrument=self.name, address=self.address)
        position = self._positions[range_name]
        self.tell(part.select, position=position)
        self.check_errors(part.select[-1])
        reply = self.ask(part.query, position=position)
        if reply not in part.selected:
            raise QueuedError(
                f"did not confirm position {position} for {range_name}: {reply!r}",
                instrument=self.name,
                address=self.address,
                command=part.query,
            )
        return f"{part.query.format(position=position)} -> {reply}"


class RegisterMeter:
    """A device read over Modbus."""

    by_person = False

    def __init__(
        self, name: str, address: str, profile: Profile, open_link: Callable[[bool], RegisterLink], now: Now
    ) -> None:
        """`open_link(drain)` makes a fresh link; `drain` asks it to let late answers run dry first."""
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
            self._value(self.profile.registers["current"])
            return Identity(self.profile.title, "")
        registers = self._registers(part.function, part.address, 2)
        serial = str(int(decode_registers(registers, "uint32", "big")))
        return Identity(f"{self.profile.title}, serial {serial}", serial)

    def start(self) -> None:
        """A register meter needs no starting."""

    def read(self, expected: float | None = None) -> Reading:
        """What the device shows. Raises LinkError or ReplyError."""
        register = self.profile.registers["current"]
        started = self._now()
        value, raw = self._value(register)
        if not abs(value) < 1e6:
            self.close()
            raise ReplyError(
                f"registers {raw} hold {value}",
                instrument=self.name,
                address=self.address,
                command=f"register {register.address}",
            )
        return Reading(value, register.unit, raw, started, self._now())

    def make_safe(self) -> None:
        """A meter drives nothing."""

    def confirm_safe(self) -> tuple[bool, str]:
        """A meter drives nothing."""
        return True, ""

    def close(self) -> None:
        """Let go of the link; never raises."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def _value(self, register: Register) -> tuple[float, str]:
        registers = self._registers(register.function, register.address, register_count(register.type))
        return decode_registers(registers, register.type, register.word_order) * register.scale, " ".join(
            f"{r:04x}" for r in registers
        )

    def _registers(self, function: str, address: int, count: int) -> list[int]:
        if self._link is None:
            raise ReplyError(
                "link is not open", instrument=self.name, address=self.address, command=f"register {address}"
            )
        return self._link.read_registers(function, address, count)


class _ByPerson:
    """What is common to instruments that a person reads or moves: no link, nothing to make safe."""

    def __init__(self, name: str, person: Person, serial: str) -> None:
        self.name, self.address = name, "a person"
        self._person, self._serial = person, serial

    def open(self) -> None:
        """Nothing to open."""

    def identify(self) -> Identity:
        """The serial number as the bench file states it; the operator vouches for it."""
        return Identity(f"read by a person, serial {self._serial or 'not stated'}", self._serial)

    def start(self) -> None:
        """Nothing to start."""

    def make_safe(self) -> None:
        """Drives nothing."""

    def confirm_safe(self) -> tuple[bool, str]:
        """Drives nothing."""
        return True, ""

    def close(self) -> None:
        """Nothing to close."""


class PersonMeter(_ByPerson):
    """A display read by a person; `resolution` is its step in amperes."""

    by_person = True

    def __init__(self, name: str, person: Person, serial: str, resolution: float, now: Now) -> None:
        super().__init__(name, person, serial)
        self._resolution, self._now = resolution, now

    def read(self, expected: float | None = None) -> Reading:
        """Ask for what the display shows."""
        started = self._now()
        value, typed = self._person.read_current("  What does the device show now?", self._resolution, expected)
        return Reading(value, "A", typed, started, self._now())


class PersonSwitch(_ByPerson):
    """A range switch turned by a person."""

    def __init__(self, name: str, person: Person, serial: str, turn: Callable[[str], None] | None = None) -> None:
        """`turn` lets a simulated person really turn a simulated switch."""
        super().__init__(name, person, serial)
        self._turn = turn

    def select(self, range_name: str) -> str:
        """Ask for the switch to be turned."""
        answer = self._person.confirm(f"The load is off. Turn the range switch to {range_name}.")
        if self._turn is not None:
            self._turn(range_name)
        return f"turned by a person: {answer or 'done'}"
