"""Time as the runner sees it: a clock it can be given, so that a rehearsal needs no waiting."""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable
from queue import SimpleQueue
from typing import Any, Protocol


class Clock(Protocol):
    """Time for the runner. A virtual clock does the same without waiting."""

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
        self._lanes: list[_Lane] = []

    def now(self) -> float:
        return time.monotonic()

    def wall(self) -> dt.datetime:
        return dt.datetime.now(dt.UTC)

    def sleep(self, seconds: float) -> None:
        """Wait `seconds`; none when it is not above zero."""
        if seconds > 0:
            time.sleep(seconds)

    def together(self, *calls: Callable[[], Any]) -> list[Any]:
        """Each call but the last in a thread of its own, the last in this one; wait for all, then raise the first error."""
        others, own = calls[:-1], calls[-1]
        while len(self._lanes) < len(others):
            self._lanes.append(_Lane())
        lanes = self._lanes[: len(others)]
        for lane, call in zip(lanes, others, strict=True):
            lane.begin(call)
        outcomes = [_outcome(own)]
        outcomes[:0] = [lane.outcome() for lane in lanes]
        for _, failure in outcomes:
            if failure is not None:
                raise failure
        return [value for value, _ in outcomes]

    def close(self) -> None:
        for lane in self._lanes:
            lane.end()
        self._lanes.clear()


class _Lane:
    """A thread that runs one call at a time. A pool of the standard library costs as much per call as the reading itself."""

    def __init__(self) -> None:
        self._calls: SimpleQueue[Callable[[], Any] | None] = SimpleQueue()
        self._outcomes: SimpleQueue[tuple[Any, BaseException | None]] = SimpleQueue()
        threading.Thread(target=self._run, name="reading", daemon=True).start()

    def begin(self, call: Callable[[], Any]) -> None:
        self._calls.put(call)

    def outcome(self) -> tuple[Any, BaseException | None]:
        return self._outcomes.get()

    def end(self) -> None:
        self._calls.put(None)

    def _run(self) -> None:
        while (call := self._calls.get()) is not None:
            self._outcomes.put(_outcome(call))


def _outcome(call: Callable[[], Any]) -> tuple[Any, BaseException | None]:
    try:
        return call(), None
    except BaseException as failure:  # noqa: BLE001  raised again by `together`, once every call has ended
        return None, failure
