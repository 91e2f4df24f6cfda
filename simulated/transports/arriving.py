"""Answers on their way: pieces that arrive one after the other, each some time after the one before it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator

from simulated.transports.listeners import Ending, Piece


class Arriving:
    """Pieces on their way, by the clock `now` in seconds."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._sources: deque[tuple[float, Iterator[Piece]]] = deque()
        self._last = 0.0
        self._next: bytes | Ending | None = None

    def add(self, pieces: Iterable[Piece]) -> None:
        """Send `pieces` from now on."""
        self._sources.append((self._now(), iter(pieces)))

    def ready(self) -> float:
        """Arrival time of the next piece; infinite when there is none."""
        while self._next is None and self._sources:
            sent, source = self._sources[0]
            found = next(source, None)
            if found is None:
                self._sources.popleft()
            else:
                self._next, self._last = found[0], max(self._last, sent) + found[1]
        return float("inf") if self._next is None else self._last

    def take(self) -> bytes | Ending:
        """Remove and return the next piece; `ready` has said there is one."""
        assert self._next is not None
        piece, self._next = self._next, None
        return piece
