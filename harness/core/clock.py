"""Time as the runner sees it: a clock it can be given, so that a rehearsal needs no waiting."""

import datetime as dt
import time
from typing import Protocol


class Clock(Protocol):
    """Time for the runner. A virtual clock does the same without waiting."""

    def now(self) -> float:
        """Seconds, rising, from an arbitrary start."""

    def wall(self) -> dt.datetime:
        """The time of day, aware of its zone."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


class RealClock:
    """The machine's clock."""

    def now(self) -> float:
        return time.monotonic()

    def wall(self) -> dt.datetime:
        return dt.datetime.now(dt.UTC)

    def sleep(self, seconds: float) -> None:
        """Wait `seconds`; none when it is not above zero."""
        if seconds > 0:
            time.sleep(seconds)
