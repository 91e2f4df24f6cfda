"""The range switch, turned by a person or by a relay, and the turns of the primary winding that each position puts in circuit."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

from simulated.bench_faults import ActiveFault
from simulated.description import RangeDescription
from simulated.physics.first_order import in_force


class RangeSwitch:
    """A switch with one position per range; `stuck_in` names the position it never leaves. Times in seconds."""

    def __init__(self, first: str, stuck_in: str = "") -> None:
        self._stuck_in = stuck_in
        self.claimed = first
        self.moves: deque[tuple[float, str]] = deque([(-math.inf, stuck_in or first)], maxlen=4096)

    def move(self, position: str, time: float) -> None:
        """Move to `position`; empty: open every contact, so that no current can flow."""
        self.claimed, position = position, self._stuck_in or position
        last_time, last = self.moves[-1]
        if position != last:
            self.moves.append((max(time, last_time), position))

    def position_at(self, time: float) -> str:
        """The range in circuit at `time`; empty when every contact is open."""
        return in_force(self.moves, time)[1]

    def moved_since(self, time: float) -> bool:
        return self.moves[-1][0] >= time


def signed_turns(ranges: Iterable[RangeDescription], faults: Iterable[ActiveFault] = ()) -> dict[str, int]:
    """Signed primary turns in circuit in each position, by the range's name.

    An independent range carries the current through a winding of its own; a series range through the turns of the
    range before it and a further section. A faulty section is therefore faulty in every position that uses it, and
    a winding turned round takes the sections wired onto it with it.
    """
    at = {(fault.name, fault.range) for fault in faults}
    turns: dict[str, int] = {}
    before, described_before, sense = 0, 0, 1
    for rng in ranges:
        in_series = rng.wiring == "series"
        if not in_series:
            sense = -1 if ("winding-reversed", rng.name) in at else 1
        section = rng.primary_turns - (described_before if in_series else 0)
        section += (("turn-extra", rng.name) in at) - (("turn-missing", rng.name) in at)
        if ("section-reversed", rng.name) in at:
            section = -section
        section *= sense
        through_both = in_series or ("both-windings-in-circuit", rng.name) in at
        turns[rng.name] = section + (before if through_both else 0)
        before, described_before = turns[rng.name], rng.primary_turns
    return turns
