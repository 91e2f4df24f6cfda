"""The range switch, turned by a person or by a relay: its claimed and its true position."""

from __future__ import annotations

import math
from collections import deque

from simulated.physics.first_order import in_force


class RangeSwitch:
    """A switch with one position per range; `stuck_in` names the position it never leaves. Times in seconds."""

    def __init__(self, first: str, stuck_in: str = "") -> None:
        self._stuck_in = stuck_in
        self.claimed = first
        self._moves: deque[tuple[float, str]] = deque([(-math.inf, stuck_in or first)], maxlen=4096)

    def move(self, position: str, time: float) -> None:
        """Move to `position`; empty: open every contact, so that no current can flow."""
        self.claimed, position = position, self._stuck_in or position
        last_time, last = self._moves[-1]
        if position != last:
            self._moves.append((max(time, last_time), position))

    def position_at(self, time: float) -> str:
        """The range in circuit at `time`; empty when every contact is open."""
        return in_force(self._moves, time)[1]

    def moved_since(self, time: float) -> bool:
        return self._moves[-1][0] >= time
