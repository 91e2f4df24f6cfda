"""Drivers of the parts of a bench over a link, by SCPI or registers."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from instruments.drivers.registers import RegisterInstrument
from instruments.drivers.roles import OnFor, at_once
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import QueuedError, ReplyError
from instruments.reading import Reading


class ScpiLoad(ScpiInstrument):
    """A programmable load or current source."""

    def protect(self, limit: float) -> None:
        """Set the instrument's own current limit, at most its largest current. Does nothing without such a command in the profile."""
        self.protect_quantity("current", min(limit, self.profile.quantities["current"].maximum))

    def arm_watchdog(self) -> None:
        """Make the load switch itself off when it is no longer fed. Does nothing without a watchdog in the profile. Raises InstrumentError."""
        if self.profile.watchdog is not None:
            self.tell_checked(self.profile.watchdog.arm, self.profile.watchdog.seconds)

    def confirm_safe(self) -> tuple[bool, str]:
        """As every instrument; once the load is confirmed off its watchdog is disarmed. Raises LinkError or ReplyError."""
        confirmed, answer = super().confirm_safe()
        if confirmed and self.profile.watchdog is not None:
            self.tell(self.profile.watchdog.disarm)
        return confirmed, answer

    @property
    def least_current(self) -> float:
        return max(0.0, self.profile.quantities["current"].minimum)

    def takes_power_factor(self, power_factor: float) -> bool:
        """Whether the profile has a command for it and allows the value."""
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


class ScpiMeter(ScpiInstrument):
    """What reads the quantity `measures`: a device that itself speaks SCPI."""

    measures = "current"

    def read(self, expected: float | None = None) -> Reading:
        return self.read_quantity(self.measures)

    def fetch(self) -> Reading:
        return self.fetch_quantity(self.measures)


class ScpiReference(ScpiMeter):
    """A multimeter or analyser. Several can measure at the same time: `arm` all, `fire` all, `fetch` from all."""

    def configure(self, full_scale: float) -> None:
        self.configure_quantity(self.measures, full_scale)

    def check(self) -> None:
        """Raise QueuedError when an error was queued behind good replies, ReplyError when there is an unexpected reply.

        Without an error queue the identification is asked for: a duplicate reply waiting behind the last reading would be
        taken for it and detected.
        """
        if self.profile.errors is None:
            self.identify_again()
        else:
            self.check_errors(self.quantity(self.measures).get)


class ScpiVoltageReference(ScpiReference):
    """A multimeter across a shunt, or on a clamp whose output is a voltage: its readings are volts."""

    measures = "voltage"


@dataclass(eq=False)
class ScpiVoltmeter(ScpiMeter):
    """A multimeter that reads the voltage; its range is chosen for `expected` volts."""

    measures = "voltage"

    expected: float

    def start(self) -> None:
        super().start()
        self.configure_quantity("voltage", self.expected)


@dataclass(eq=False)
class ScpiSwitch(ScpiInstrument):
    """A relay that moves the range switch; `positions` gives the relay's text for each range."""

    positions: Mapping[str, str]

    def select(self, range_name: str) -> str:
        part = self.profile.switching
        if part is None or range_name not in self.positions:
            raise ReplyError(f"no position for range {range_name!r}", instrument=self.name, address=self.address)
        position = self.positions[range_name]
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
        return {name: self.read_quantity(name) for name, q in self.profile.quantities.items() if q.get}


class RegisterMeter(RegisterInstrument):
    """A device read over Modbus."""

    def read(self, expected: float | None = None) -> Reading:
        return self.read_quantity("current")


class RegisterEnvironmentSensor(RegisterInstrument):
    """A thermometer, hygrometer or both read over Modbus."""

    def read(self) -> dict[str, Reading]:
        return {name: self.read_quantity(name) for name in self.profile.registers}
