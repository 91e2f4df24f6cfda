"""The present activity of a run and how long it may take: the proof behind the heartbeats that the guard listens to.

The runner's loop says so each time it comes round, and announces whatever keeps it longer (an exchange with a slow
instrument, a person reading a display). Who stays within what was announced is at work; who does not stands still.
"""

import itertools
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

STANDSTILL = 2.0
"""Seconds beyond what was announced after which a run stands still."""

UNTIL_ANSWERED = float("inf")
"""The time a person may take: the process must run all that time, its loop has to wait."""


class Activity:
    """The activity of any thread of the run. An operation that was announced lasts as long as the longest one open."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._numbers = itertools.count()
        self._open: dict[int, tuple[float, str]] = {}
        self._until = time.monotonic() + STANDSTILL

    def progress(self) -> None:
        """The loop has come round."""
        self._until = time.monotonic() + STANDSTILL

    @contextmanager
    def bounded(self, seconds: float, what: str) -> Iterator[None]:
        number, until = next(self._numbers), time.monotonic() + seconds + STANDSTILL
        with self._lock:
            self._open[number] = until, what
        try:
            yield
        finally:
            with self._lock:
                del self._open[number]
                self.progress()

    def overrun(self) -> str:
        """The operation that has taken longer than announced; empty while all are within their time."""
        now = time.monotonic()
        with self._lock:
            until, what = max(self._open.values(), default=(self._until, "the run's own work"))
        return what if now > until else ""
