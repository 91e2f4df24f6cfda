"""The parts instruments play on the bench, and the drivers that play them.

Every driver can be opened, identified, made safe, asked whether it is safe, and closed. Beyond that a `Load` drives
current, a `Reference` and a `Meter` read it, a `Switch` moves the device to a range.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, runtime_checkable

from instruments.drivers.on_for import OnFor
from instruments.drivers.registers import RegisterInstrument
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import QueuedError, ReplyError
from instruments.links.link import Link, Now
from instruments.operator.person import Expected
from instruments.profile import Profile
from instruments.reading import Identity, Reading


def at_once() -> None:
    """Nothing has to be looked at before the output is switched on."""


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


class Beside(Protocol):
    """What can read more than its current: power, voltage, power factor, phase, energy."""

    def can_read_beside_current(self, name: str) -> bool:
        """Whether it can read the quantity `name` as it stands."""

    def read_beside(self, names: Sequence[str], expected: Expected | None = None) -> dict[str, Reading]:
        """Those quantities, of the measurement just read where it can; `expected` helps a person see a slip."""


class Load(Instrument, Protocol):
    """Drives the current. One that a person plugs in cannot be trimmed, and is dead whenever it is changed."""

    by_person: bool

    def protect(self, limit: float) -> None:
        """Have the instrument itself refuse more than `limit` amperes, where its profile can."""

    @property
    def least_current(self) -> float:
        """The smallest current in amperes it can be set to; 0 when it can be any."""

    def takes_power_factor(self, power_factor: float) -> bool:
        """Whether it can be set to `power_factor`, negative for a leading current."""

    def set_power_factor(self, power_factor: float) -> None:
        """Set the power factor, negative for a leading current."""

    def drive(self, current: float, ready: Callable[[], None] = at_once, on_for: OnFor | None = None) -> None:
        """Set `current` amperes and switch the output on; `ready` is called right before, and may raise. A person is told `on_for`."""


class Reference(Instrument, Beside, Protocol):
    """Reads the current everything is compared with."""

    by_person: bool

    def configure(self, full_scale: float) -> None:
        """Go to the range with this full scale, in the instrument's own unit."""

    def read(self, expected: float | None = None) -> Reading:
        """A fresh reading in the instrument's own unit; `expected` helps a person see a slip."""

    def check(self) -> None:
        """Raise when an error was queued behind good replies."""


class Meter(Instrument, Beside, Protocol):
    """The device under verification, or a check standard that is read like it."""

    by_person: bool

    def read(self, expected: float | None) -> Reading:
        """What the device shows, in amperes of its own scale; `expected` helps a person see a slip."""


@runtime_checkable
class Triggered(Protocol):
    """What can measure at the same time as others: all are armed, then all fired, then each is asked.

    `armable`: its profile declares a trigger; without one, `arm` and `fire` do nothing and `fetch` is a fresh reading.
    """

    @property
    def armable(self) -> bool:
        """Whether `arm` and `fire` do anything."""

    def arm(self) -> None:
        """Stand ready."""

    def fire(self) -> None:
        """Start one measurement."""

    def fetch(self) -> Reading:
        """The measurement that `fire` started."""


class Voltmeter(Instrument, Protocol):
    """Reads the voltage at the load."""

    by_person: bool

    def read(self) -> Reading:
        """A fresh reading in volts."""


class Switch(Instrument, Protocol):
    """Moves the device to a range."""

    by_person: bool

    def select(self, range_name: str) -> str:
        """Go there, confirm, and say what confirmed it."""


class EnvironmentSensor(Instrument, Protocol):
    """Reads the conditions at the bench."""

    def read(self) -> dict[str, Reading]:
        """Readings by quantity: temperature in degC, relative_humidity in %."""


class ScpiLoad(ScpiInstrument):
    """A programmable load or current source."""

    by_person = False

    def protect(self, limit: float) -> None:
        """Set the instrument's own current limit, at most its largest current. Does nothing where the profile has no such command."""
        self.protect_quantity("current", min(limit, self.profile.quantities["current"].maximum))

    def arm_watchdog(self) -> None:
        """Have the load switch itself off when it is no longer fed. Does nothing without one in the profile. Raises InstrumentError."""
        if self.profile.watchdog is not None:
            self.tell_checked(self.profile.watchdog.arm, self.profile.watchdog.seconds)

    def confirm_safe(self) -> tuple[bool, str]:
        """As every instrument; a load that is seen to be off leaves its watchdog nothing to watch. Raises LinkError or ReplyError."""
        confirmed, answer = super().confirm_safe()
        if confirmed and self.profile.watchdog is not None:
            self.tell(self.profile.watchdog.disarm)
        return confirmed, answer

    @property
    def least_current(self) -> float:
        """The profile's minimum, in amperes."""
        return max(0.0, self.profile.quantities["current"].minimum)

    def takes_power_factor(self, power_factor: float) -> bool:
        """Whether the profile has a command for it, and bounds that hold it."""
        quantity = self.profile.quantities.get("power_factor")
        return quantity is not None and bool(quantity.set) and quantity.minimum <= power_factor <= quantity.maximum

    def set_power_factor(self, power_factor: float) -> None:
        """Set the power factor and read it back. Raises InstrumentError, also when the profile has none."""
        self.set_quantity("power_factor", power_factor)
        self.confirm_quantity("power_factor", power_factor)

    def drive(self, current: float, ready: Callable[[], None] = at_once, on_for: OnFor | None = None) -> None:
        """Set `current` amperes, switch the output on and read the setting back. Raises InstrumentError, or what `ready` does."""
        self.arm_watchdog()
        self.set_quantity("current", current)
        ready()
        self.tell(self.profile.on)
        self.check_errors(self.profile.on[-1])
        self.confirm_quantity("current", current)


class ScpiReference(ScpiInstrument):
    """A multimeter or analyser. Several can measure at the same time: `arm` all, `fire` all, `fetch` from all."""

    by_person = False
    measures = "current"

    def configure(self, full_scale: float) -> None:
        """Go to the range with this full scale. Raises InstrumentError."""
        self.configure_quantity(self.measures, full_scale)

    def read(self, expected: float | None = None) -> Reading:
        """A fresh reading. Raises LinkError or ReplyError."""
        return self.read_quantity(self.measures)

    def fetch(self) -> Reading:
        """The measurement that `fire` started; without a trigger in the profile, a fresh one. Raises LinkError or ReplyError."""
        return self.fetch_quantity(self.measures)

    def check(self) -> None:
        """Raise QueuedError when an error was queued behind good replies, ReplyError when a reply too many came.

        Where there is no error queue the identification is asked for: a duplicate of a late reply that stands behind
        the last reading would be taken for it and found out.
        """
        if self.profile.errors is None:
            self.identify_again()
        else:
            self.check_errors(self.quantity(self.measures).get)


class ScpiVoltageReference(ScpiReference):
    """A multimeter across a shunt, or on a clamp whose output is a voltage: its readings are volts."""

    measures = "voltage"


class ScpiMeter(ScpiInstrument):
    """A device that itself speaks SCPI."""

    by_person = False

    def read(self, expected: float | None = None) -> Reading:
        """What the device shows. Raises LinkError or ReplyError."""
        return self.read_quantity("current")

    def fetch(self) -> Reading:
        """What the device measured since `fire`; without a trigger in the profile, what it shows now."""
        return self.fetch_quantity("current")


class ScpiVoltmeter(ScpiInstrument):
    """A multimeter that reads the voltage; `expected` volts choose its range."""

    by_person = False

    def __init__(
        self, name: str, address: str, profile: Profile, open_link: Callable[[], Link], now: Now, expected: float
    ) -> None:
        super().__init__(name, address, profile, open_link, now)
        self._expected = expected

    def start(self) -> None:
        """Bring it to its voltage range. Raises InstrumentError."""
        super().start()
        self.configure_quantity("voltage", self._expected)

    def read(self) -> Reading:
        """A fresh reading in volts. Raises LinkError or ReplyError."""
        return self.read_quantity("voltage")


class ScpiSwitch(ScpiInstrument):
    """A relay that moves the range switch; `positions` gives the relay's text for each range."""

    by_person = False

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


class ScpiEnvironmentSensor(ScpiInstrument):
    """A thermometer, hygrometer or both that speaks SCPI."""

    def read(self) -> dict[str, Reading]:
        """Fresh readings of all it has, by quantity. Raises LinkError or ReplyError."""
        return {name: self.read_quantity(name) for name, q in self.profile.quantities.items() if q.get}


class RegisterMeter(RegisterInstrument):
    """A device read over Modbus."""

    by_person = False

    def read(self, expected: float | None = None) -> Reading:
        """What the device shows. Raises LinkError or ReplyError."""
        return self.read_quantity("current")


class RegisterEnvironmentSensor(RegisterInstrument):
    """A thermometer, hygrometer or both read over Modbus."""

    def read(self) -> dict[str, Reading]:
        """What it shows of all it has, by quantity. Raises LinkError or ReplyError."""
        return {name: self.read_quantity(name) for name in self.profile.registers}
