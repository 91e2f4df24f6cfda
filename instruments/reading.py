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
