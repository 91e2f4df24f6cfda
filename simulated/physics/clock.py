"""Clocks for a simulated bench: with the virtual one a run of hours takes seconds and is always the same."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Protocol, TypeVar

Result = TypeVar("Result")

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

    def together(self, *calls: Callable[[], Result]) -> list[Result]:
        """Run `calls` so that each begins at the same instant; the clock ends where the longest one ended.

        Every call is run, then the first exception among them is raised, as with threads.
        """
        start = latest = self._now
        results: list[Result] = []
        failures: list[Exception] = []
        for call in calls:
            self._now = start
            try:
                results.append(call())
            except Exception as failure:  # noqa: BLE001 - raised below, once the other calls have run
                failures.append(failure)
            finally:
                latest = max(latest, self._now)
                self._now = latest
        if failures:
            raise failures[0]
        return results
