"""Links that announce how long each exchange may take, so that a slow instrument is not taken for a run that stands still."""

from __future__ import annotations

from harness.activity import Activity
from harness.bench import InstrumentEntry
from harness.station import LinkSource
from instruments.link import Link, RegisterLink
from instruments.profile import Profile
from instruments.quiet_line import LONGEST
from instruments.visa_link import OPENING as VISA_OPENING

OPENING = VISA_OPENING + LONGEST + 1
"""Opening may take this many timeouts: connecting, a lock, and a serial line that has to fall quiet."""


class AnnouncedLinks:
    """Links of another source, every exchange on them announced to `activity`."""

    def __init__(self, links: LinkSource, activity: Activity) -> None:
        self._links, self._activity = links, activity

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        """A link to a SCPI instrument. Raises LinkError."""
        with self._activity.bounded(OPENING * entry.timeout, f"opening {name}"):
            link = self._links.text(name, entry, profile)
        return _AnnouncedText(link, name, entry.timeout, self._activity)

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        """A link to a Modbus unit. Raises LinkError."""
        with self._activity.bounded(OPENING * entry.timeout, f"opening {name}"):
            link = self._links.registers(name, entry, drain)
        return _AnnouncedRegisters(link, name, entry.timeout, self._activity)

    def turn_switch(self, range_name: str) -> None:
        """As there."""
        self._links.turn_switch(range_name)

    def plug(self, current: float) -> None:
        """As there."""
        self._links.plug(current)

    def turn_reference(self, full_scale: float) -> None:
        """As there."""
        self._links.turn_reference(full_scale)


class _AnnouncedText:
    def __init__(self, link: Link, name: str, timeout: float, activity: Activity) -> None:
        self._link, self._name, self._timeout, self._activity = link, name, timeout, activity

    def write(self, text: str) -> None:
        with self._activity.bounded(self._timeout, f"{self._name}: {text}"):
            self._link.write(text)

    def read(self) -> str:
        with self._activity.bounded(self._timeout, f"{self._name}: a reply"):
            return self._link.read()

    def query(self, text: str) -> str:
        with self._activity.bounded(self._timeout, f"{self._name}: {text}"):
            return self._link.query(text)

    def close(self) -> None:
        with self._activity.bounded(self._timeout, f"closing {self._name}"):
            self._link.close()


class _AnnouncedRegisters:
    def __init__(self, link: RegisterLink, name: str, timeout: float, activity: Activity) -> None:
        self._link, self._name, self._timeout, self._activity = link, name, timeout, activity

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        with self._activity.bounded(self._timeout, f"{self._name}: {function} registers from {address}"):
            return self._link.read_registers(function, address, count)

    def close(self) -> None:
        with self._activity.bounded(self._timeout, f"closing {self._name}"):
            self._link.close()
