"""The commands and registers of one profile, tried one by one: each says how it went, or raises InstrumentError."""

import time
from collections.abc import Callable

from harness.commands.console_sheet import ConsoleSheet
from harness.files.instrument_entry import InstrumentEntry
from harness.station.identification import serial_elsewhere
from harness.station.wires import LinkSource
from instruments.drivers.registers import RegisterInstrument
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import IdentityError, QueuedError
from instruments.links.link import Link, RegisterLink
from instruments.profile import Profile
from instruments.profile_tables import Quantity
from instruments.reading import Identity, Reading, shown
from instruments.register_numbers import decode_registers

IMPLAUSIBLY_SMALL, IMPLAUSIBLY_LARGE = 1e-12, 1e15
"""What lies beyond, in the units of profiles, comes from registers read with the wrong type or order."""


class _ShownText:
    """A link that shows what passes."""

    def __init__(self, link: Link, sheet: ConsoleSheet) -> None:
        self._link, self._sheet = link, sheet

    def write(self, text: str) -> None:
        self._sheet.sent(text)
        self._link.write(text)

    def read(self) -> str:
        return self._timed(self._link.read)

    def query(self, text: str) -> str:
        self._sheet.sent(text)
        return self._timed(lambda: self._link.query(text))

    def close(self) -> None:
        self._link.close()

    def _timed(self, receive: Callable[[], str]) -> str:
        started = time.monotonic()
        reply = receive()
        self._sheet.received(reply, time.monotonic() - started)
        return reply


class _ShownRegisters:
    """A register link that shows what passes."""

    def __init__(self, link: RegisterLink, sheet: ConsoleSheet) -> None:
        self._link, self._sheet = link, sheet

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        self._sheet.sent(f"read {count} {function} registers from {address}")
        started = time.monotonic()
        words = self._link.read_registers(function, address, count)
        self._sheet.received(" ".join(f"{w:04x}" for w in words), time.monotonic() - started)
        return words

    def close(self) -> None:
        self._link.close()


class TriedProfile:
    """An instrument by its profile, every exchange shown on a sheet. `has_set`: something may stand otherwise than before."""

    def __init__(
        self, name: str, entry: InstrumentEntry, profile: Profile, links: LinkSource, sheet: ConsoleSheet
    ) -> None:
        self.name, self.entry, self.profile = name, entry, profile
        self.has_set = False
        address, now = entry.address, time.monotonic
        self.scpi = ScpiInstrument(
            name, address, profile, lambda: _ShownText(links.text(name, entry, profile), sheet), now
        )
        self.registers = RegisterInstrument(
            name, address, profile, lambda drain: _ShownRegisters(links.registers(name, entry, drain), sheet), now
        )
        self.instrument = self.registers if profile.kind == "modbus" else self.scpi

    def identify(self) -> str:
        """Open it; who answers, which must be who the bench file says."""
        self.instrument.open()
        if self.profile.kind == "modbus" and self.profile.serial_registers is None:
            return "opened; the profile has no serial_registers, so nothing tells which unit answers"
        identity: Identity = self.instrument.identify()
        if self.entry.serial and identity.serial and identity.serial != self.entry.serial:
            raise IdentityError(
                f"serial {shown(identity.serial)!r} answers, expected {self.entry.serial!r} as in the bench file"
                f"{serial_elsewhere(identity, self.entry.serial)}",
                instrument=self.name,
                address=self.entry.address,
            )
        if not identity.serial:
            return "it answers; the profile does not say where the serial number is"
        return f"serial {shown(identity.serial)}" + (", as in the bench file" if self.entry.serial else "")

    def start(self) -> str:
        """Clear what is old, and send what comes first."""
        old = self.scpi.drain_errors()
        self.scpi.tell(self.profile.start)
        self.scpi.check_errors("; ".join(self.profile.start))
        return f"{len(old)} old errors were in the queue: {'; '.join(old)}" if old else "started"

    def make_safe(self) -> str:
        """Send the safe state."""
        self.scpi.make_safe()
        self.scpi.check_errors("; ".join(self.profile.safe.commands))
        return "sent"

    def confirm_safe(self) -> str:
        """What the instrument says of its safe state."""
        confirmed, answer = self.scpi.confirm_safe()
        if not confirmed:
            expected = "; ".join(f"{c.query} -> {' or '.join(c.expect)}" for c in self.profile.safe.confirm)
            raise self._mistake(f"found {answer}, expected {expected}")
        return answer

    def configure(self, name: str) -> str:
        """Go to every range of a quantity."""
        scales = self._full_scales(name)
        for full_scale in scales:
            self.scpi.configure_quantity(name, full_scale)
        return "for " + ", ".join(with_unit(s, self.profile.quantities[name].unit) for s in scales)

    def _full_scales(self, name: str) -> list[float]:
        """The ranges to go to: the bench file's, the largest last, or the profile's maximum, or 1."""
        if name == "current" and self.entry.ranges:
            return [accuracy.full_scale for accuracy in self.entry.ranges]
        maximum = self.profile.quantities[name].maximum
        return [maximum if maximum < float("inf") else 1.0]

    def read_register(self, name: str) -> str:
        """A reading that somebody could measure."""
        reading = self.registers.read_quantity(name)
        register = self.profile.registers[name]
        if not 0 < abs(reading.value) < IMPLAUSIBLY_SMALL and abs(reading.value) < IMPLAUSIBLY_LARGE:
            return _shown(reading)
        words = [int(word, 16) for word in reading.raw.split()]
        other = "little" if register.word_order == "big" else "big"
        turned = decode_registers(words, register.type, other, register.byte_order) * register.scale
        hint = f'; with word_order = "{other}" it reads {with_unit(turned, register.unit)}' if len(words) > 1 else ""
        raise self._mistake(f"reads {_shown(reading)}, which is not a plausible {name.replace('_', ' ')}{hint}")

    def get(self, name: str) -> str:
        """A reading."""
        reading = self.scpi.read_quantity(name)
        self.scpi.check_errors(self.profile.quantities[name].get)
        return _shown(reading)

    def set(self, name: str, quantity: Quantity) -> str:
        """Set a quantity to the least it takes."""
        self.has_set = True
        self.scpi.set_quantity(name, quantity.minimum)
        self.scpi.confirm_quantity(name, quantity.minimum)
        return "accepted and read back" if quantity.get else "accepted; without get it cannot be read back"

    def protect(self, name: str, quantity: Quantity) -> str:
        """Set the limit that is there: its words are tried and nothing changes."""
        limit = self.scpi.read_number(quantity.protect_get)
        self.has_set = True
        self.scpi.protect_quantity(name, limit)
        return f"is {with_unit(limit, quantity.unit)}, set to the same"

    def try_watchdog(self) -> str:
        """Arm, feed and disarm."""
        watchdog = self.profile.watchdog
        assert watchdog is not None  # the caller has looked
        self.scpi.tell_checked(watchdog.arm, watchdog.seconds)
        for commands in (watchdog.feed, watchdog.disarm):
            self.scpi.tell(commands)
            self.scpi.check_errors("; ".join(commands))
        return "accepted; that it switches off can be seen only with the output on"

    def ask_position(self, position: str) -> str:
        """Whether the switch stands there."""
        switching = self.profile.switching
        assert switching is not None  # the caller has looked
        reply = self.scpi.ask(switching.query, position=position)
        self.scpi.check_errors(switching.query)
        return "selected" if reply in switching.selected else f"not selected ({reply!r})"

    def end_without_errors(self) -> str:
        """Nothing is left in the error queue."""
        if self.profile.errors is None:
            return "the profile has no error queue"
        self.scpi.check_errors("the end")
        return "empty"

    def _mistake(self, reason: str) -> QueuedError:
        return QueuedError(reason, instrument=self.name, address=self.entry.address)


def _shown(reading: Reading) -> str:
    return with_unit(reading.value, reading.unit)


def with_unit(value: float, unit: str) -> str:
    """A value as it goes into a line."""
    return f"{value:.8g}" if unit == "1" else f"{value:.8g} {unit}"
