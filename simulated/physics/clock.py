"""Time for a bench: virtual (a run of hours in seconds, always the same) or real (a served bench)."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol, TypeVar

Result = TypeVar("Result")

VIRTUAL_START = dt.datetime(2026, 1, 5, 8, 0, tzinfo=dt.UTC)


class Clock(Protocol):
    """What the simulated bench needs of a clock. Times in seconds."""

    def now(self) -> float:
        """Seconds since a fixed instant."""

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass."""


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
        """Move on by `seconds`; a negative duration moves nothing."""
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


class RealClock:
    """The computer's own clock."""

    def now(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def wall(self) -> dt.datetime:
        """Date and time in UTC."""
        return dt.datetime.now(dt.UTC)

    def sleep(self, seconds: float) -> None:
        """Wait `seconds`; a negative duration does not wait."""
        time.sleep(max(0.0, seconds))

    def together(self, *calls: Callable[[], Result]) -> list[Result]:
        """Run `calls` at the same time, one thread each; raises the first exception after all have ended."""
        with ThreadPoolExecutor(max_workers=max(1, len(calls))) as threads:
            futures = [threads.submit(call) for call in calls]
        return [future.result() for future in futures]
