"""Links that announce the longest time of each exchange, so that a slow instrument does not look like a hung run."""

import contextlib
import threading

from harness.core.activity import Activity
from harness.files.instrument_entry import InstrumentEntry
from harness.station.wires import LinkSource, PassedOn
from instruments.errors import InstrumentError
from instruments.links.link import Link, RegisterLink
from instruments.links.quiet_line import MOST_QUIET_TIMES
from instruments.links.visa_link import OPENING as VISA_OPENING
from instruments.profile import Profile
from instruments.profile_tables import Watchdog

OPENING = VISA_OPENING + MOST_QUIET_TIMES + 1
"""Longest time of opening, in timeouts: connecting, a lock, and a serial line that has to fall quiet."""


FEEDINGS = 4
"""Feedings of a load's watchdog within its waiting time."""


class AnnouncedLinks(PassedOn):
    """Links of another source, every exchange on them announced to `activity`."""

    def __init__(self, links: LinkSource, activity: Activity) -> None:
        super().__init__(links)
        self._activity = activity

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        with self._activity.bounded(OPENING * entry.timeout, f"opening {name}"):
            link = self._links.text(name, entry, profile)
        if profile.watchdog is None:
            return _AnnouncedText(link, name, entry.timeout, self._activity)
        return _FedText(link, name, entry.timeout, self._activity, profile)

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        with self._activity.bounded(OPENING * entry.timeout, f"opening {name}"):
            link = self._links.registers(name, entry, drain)
        return _AnnouncedRegisters(link, name, entry.timeout, self._activity)


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


class _FedText(_AnnouncedText):
    """A link to a load with a watchdog, which is fed from `on` to the safe commands while the run is at work.

    A thread of its own feeds it, below the transcripts: the run may be waiting for a person or another instrument meanwhile. Feeding is not
    announced: it would count as the run's own progress.
    """

    def __init__(self, link: Link, name: str, timeout: float, activity: Activity, profile: Profile) -> None:
        super().__init__(link, name, timeout, activity)
        self._profile = profile
        self._ended: threading.Event | None = None

    def write(self, text: str) -> None:
        if text in self._profile.safe.commands:
            self._stop()
        super().write(text)
        if text in self._profile.on and self._ended is None:
            self._ended = threading.Event()
            arguments = (self._ended, self._profile.watchdog)
            threading.Thread(target=self._feed, args=arguments, name="feeding", daemon=True).start()

    def close(self) -> None:
        self._stop()
        super().close()

    def _stop(self) -> None:
        if self._ended is not None:
            self._ended.set()
            self._ended = None

    def _feed(self, ended: threading.Event, watchdog: Watchdog) -> None:
        # A link that failed is closed, and the run finds it so.
        with contextlib.suppress(InstrumentError):
            while not ended.wait(watchdog.seconds / FEEDINGS):
                if not self._activity.overrun():
                    for command in watchdog.feed:
                        self._link.write(command)


class _AnnouncedRegisters:
    def __init__(self, link: RegisterLink, name: str, timeout: float, activity: Activity) -> None:
        self._link, self._name, self._timeout, self._activity = link, name, timeout, activity

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        with self._activity.bounded(self._timeout, f"{self._name}: {function} registers from {address}"):
            return self._link.read_registers(function, address, count)

    def close(self) -> None:
        with self._activity.bounded(self._timeout, f"closing {self._name}"):
            self._link.close()
