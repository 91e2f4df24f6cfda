"""Results of a driver: a value with the reply it came from, and the identity of the instrument."""

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
    """Identity of an instrument: the whole reply, and the serial number in it."""

    text: str
    serial: str

    @property
    def shown(self) -> str:
        """The reply for people: printable, and on one line."""
        return shown(self.text)


def shown(text: str, longest: int = 100) -> str:
    """A received text for one line: unprintable characters escaped, cut when longer than `longest`."""
    line = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text[: longest + 1])
    return line if len(line) <= longest else line[: longest - 3] + "..."
