"""Clocks for a simulated bench: with the virtual one a run of hours takes seconds and is always the same."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

VIRTUAL_START = dt.datetime(2026, 1, 5, 8, 0, tzinfo=dt.UTC)


class BenchTime(Protocol):
    """The clock a simulated bench needs. Times in seconds."""

    def now(self) -> float:
        """Seconds since a fixed instant."""

    def sleep(self, seconds: float) -> None: ...


class VirtualClock:
    """A clock that moves only when someone sleeps on it."""

    def __init__(self, start: dt.datetime = VIRTUAL_START) -> None:
        self._start = start
        self._now = 0.0

    def now(self) -> float:
        """Seconds since the clock was made."""
        return self._now

    def wall(self) -> dt.datetime:
        """Date and time in UTC: a fixed start plus `now()`."""
        return self._start + dt.timedelta(seconds=self._now)

    def sleep(self, seconds: float) -> None:
        """Advance by `seconds`; a negative duration changes nothing."""
        self._now += max(0.0, seconds)

    @contextmanager
    def since(self, instant: float) -> Iterator[None]:
        """Let the block begin at `instant`, in the past, beside what was done since; after it the clock is where the later of both ended."""
        reached, self._now = self._now, instant
        try:
            yield
        finally:
            self._now = max(reached, self._now)
