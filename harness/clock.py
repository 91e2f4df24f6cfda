"""Time as the runner sees it: a clock it can be given, so that a rehearsal needs no waiting."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol


class Clock(Protocol):
    """What the runner asks of time. A virtual clock does the same without waiting."""

    def now(self) -> float:
        """Seconds, rising, from an arbitrary start."""

    def wall(self) -> dt.datetime:
        """The time of day, aware of its zone."""

    def sleep(self, seconds: float) -> None:
        """Wait."""

    def together(self, *calls: Callable[[], Any]) -> list[Any]:
        """Run the calls overlapped, all to their end; their results, or the first error."""


class RealClock:
    """The machine's clock; overlapped calls run in one thread each."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(max_workers=4, thread_name_prefix="reading")

    def now(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def wall(self) -> dt.datetime:
        """Now, in UTC."""
        return dt.datetime.now(dt.UTC)

    def sleep(self, seconds: float) -> None:
        """Wait `seconds`."""
        if seconds > 0:
            time.sleep(seconds)

    def together(self, *calls: Callable[[], Any]) -> list[Any]:
        """Each call but the last in a thread of its own, the last in this one; wait for all, then raise the first error."""
        pending = [self._threads.submit(call) for call in calls[:-1]]
        try:
            last = calls[-1]()
        finally:
            for future in pending:
                future.exception()
        return [*(future.result() for future in pending), last]

    def close(self) -> None:
        """End the threads."""
        self._threads.shutdown()
