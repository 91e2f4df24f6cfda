"""What a driver gives back: a value with the reply it came from, and who answered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Reading(NamedTuple):
    """One reading: `value` in `unit`, the reply as received, start and end in seconds on the run's clock."""

    value: float
    unit: str
    raw: str
    started: float
    finished: float


@dataclass(frozen=True)
class Identity:
    """Who answered: the whole reply, and the serial number in it."""

    text: str
    serial: str

    @property
    def shown(self) -> str:
        """The reply as people are shown it: printable, and no longer than a line."""
        return shown(self.text)


def shown(text: str, longest: int = 100) -> str:
    """What an instrument sent, for a line: escapes for what is not printable, and cut where it goes on and on."""
    line = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text[: longest + 1])
    return line if len(line) <= longest else line[: longest - 3] + "..."
