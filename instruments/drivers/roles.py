"""The functions of instruments on the bench, as protocols.

Every driver can be opened, identified, made safe, asked whether it is safe, and closed. Beyond that a `Load` drives
current, a `Reference` and a `Meter` read it, a `Switch` moves the device to a range. Over a link every exchange raises
LinkError when it fails, ReplyError when its answer cannot be used.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from instruments.drivers.on_for import OnFor
from instruments.operator.person import Expected
from instruments.reading import Identity, Reading


def at_once() -> None:
    """The default `ready`: nothing has to be checked before the output is switched on."""


class Instrument(Protocol):
    name: str
    address: str

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

    by_person: bool

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

    by_person: bool

    def configure(self, full_scale: float) -> None:
        """Select the range with this full scale, in the instrument's own unit."""

    def read(self, expected: float | None = None) -> Reading:
        """A fresh reading in the instrument's own unit; `expected` helps a person notice a slip."""

    def check(self) -> None:
        """Raise when an error was queued behind good replies."""


class Meter(Instrument, ReadsBesideCurrent, Protocol):
    """The device under verification, or a check standard that is read like it."""

    by_person: bool

    def read(self, expected: float | None) -> Reading:
        """The value the device shows, in amperes of its own scale; `expected` helps a person notice a slip."""


class Voltmeter(Instrument, Protocol):
    """Reads the voltage at the load."""

    by_person: bool

    def read(self) -> Reading:
        """A reading in volts."""


class Switch(Instrument, Protocol):
    """Moves the device to a range."""

    by_person: bool

    def select(self, range_name: str) -> str:
        """Move to the range, confirm it, and return what confirmed it."""


class EnvironmentSensor(Instrument, Protocol):
    """Reads the conditions at the bench."""

    def read(self) -> dict[str, Reading]:
        """Readings by quantity: temperature in degC, relative_humidity in %."""
