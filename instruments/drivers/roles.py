"""The functions of instruments on the bench, as protocols.

Every driver can be opened, identified, made safe, asked whether it is safe, and closed. Beyond that a `Load` drives
current, a `Reference` and a `Meter` read it, a `Switch` moves the device to a range. Over a link every exchange raises
LinkError when it fails, ReplyError when its answer cannot be used.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from instruments.numbers import format_time
from instruments.operator.plausibility import Expected
from instruments.reading import Identity, Reading


def at_once() -> None:
    """The default `ready`: nothing has to be checked before the output is switched on."""


@dataclass(frozen=True)
class OnFor:
    """The longest time something may carry current: `what` names in words what is limited ("kettle may be on"), `seconds` is the longest time at once.

    `rests`: an instrument that must rest between two such times, as its manual says; empty where there is none.
    """

    what: str
    seconds: float
    rests: str = ""

    def __str__(self) -> str:
        return f"{self.what} for {format_time(self.seconds)} at a time"

    @property
    def from_now(self) -> str:
        """The same text for when the time begins."""
        return f"{self.what} for {format_time(self.seconds)} from now"


class Instrument(Protocol):
    name: str
    address: str
    by_person: bool

    def open(self) -> None:
        """Open a fresh link, dropping the old one."""

    def identify(self) -> Identity: ...

    def start(self) -> None:
        """Prepare a freshly opened instrument for use."""

    def make_safe(self) -> None: ...

    def confirm_safe(self) -> tuple[bool, str]:
        """Whether it is safe, and what it answered."""

    def close(self) -> None:
        """Close the link; never raises."""


class ReadsBesideCurrent(Protocol):
    """An instrument that reads more than its current: power, voltage, power factor, phase, energy."""

    def can_read_beside_current(self, name: str) -> bool:
        """Whether it can read the quantity `name` as it is configured."""

    def read_beside(self, names: Sequence[str], expected: Expected | None = None) -> dict[str, Reading]:
        """Those quantities, from the latest measurement where it can; `expected` helps a person notice a slip."""


class Load(Instrument, Protocol):
    """Drives the current. One that a person plugs in cannot be trimmed, and is dead whenever it is changed."""

    def protect(self, limit: float) -> None:
        """Make the instrument itself refuse more than `limit` amperes, where its profile can."""

    @property
    def least_current(self) -> float:
        """The smallest current in amperes it can be set to; 0 when it can be any."""

    def takes_power_factor(self, power_factor: float) -> bool:
        """Whether it can be set to `power_factor`, negative for a leading current."""

    def set_power_factor(self, power_factor: float) -> None:
        """Set the power factor, negative for a leading current."""

    def drive(self, current: float, ready: Callable[[], None] = at_once, on_for: OnFor | None = None) -> None:
        """Set `current` amperes and switch the output on; `ready` is called right before, and may raise. A person is told `on_for`."""


class Reference(Instrument, ReadsBesideCurrent, Protocol):
    """Reads the current everything is compared with."""

    def configure(self, full_scale: float) -> None:
        """Select the range with this full scale, in the instrument's own unit."""

    def read(self, expected: float | None = None) -> Reading:
        """A fresh reading in the instrument's own unit; `expected` helps a person notice a slip."""

    def check(self) -> None:
        """Raise when an error was queued behind good replies."""


class Meter(Instrument, ReadsBesideCurrent, Protocol):
    """The device under verification, or a check standard that is read like it."""

    def read(self, expected: float | None) -> Reading:
        """The value the device shows, in amperes of its own scale; `expected` helps a person notice a slip."""


class Voltmeter(Instrument, Protocol):
    """Reads the voltage at the load."""

    def read(self) -> Reading:
        """A reading in volts."""


class Switch(Instrument, Protocol):
    """Moves the device to a range."""

    def select(self, range_name: str) -> str:
        """Move to the range, confirm it, and return what confirmed it."""


class EnvironmentSensor(Instrument, Protocol):
    """Reads the conditions at the bench."""

    def read(self) -> dict[str, Reading]:
        """Readings by quantity: temperature in degC, relative_humidity in %."""
