"""Something done after a time, from a thread of its own, also on a computer that slept meanwhile."""

import threading
import time
from collections.abc import Callable

LOOK_EVERY = 1.0
"""Seconds between two looks at the clocks: so late an alarm may be after the computer woke."""


class Alarm:
    """Calls `act` once `seconds` have passed by the running clock or by the time of day, whichever says so first.

    The running clock stands still while a computer sleeps (Linux, macOS), and what is plugged in does not.
    """

    def __init__(self, seconds: float, act: Callable[[], None]) -> None:
        self._seconds, self._act = seconds, act
        self._began = time.monotonic(), time.time()
        self._cancelled = threading.Event()
        threading.Thread(target=self._wait, daemon=True).start()

    def cancel(self) -> None:
        self._cancelled.set()

    def _wait(self) -> None:
        while (left := self._seconds - self._passed()) > 0:
            if self._cancelled.wait(min(left, LOOK_EVERY)):
                return
        if not self._cancelled.is_set():
            self._act()

    def _passed(self) -> float:
        running, of_day = self._began
        return max(time.monotonic() - running, time.time() - of_day)
