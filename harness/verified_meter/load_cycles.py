"""Energy over whole cycles of a load that comes and goes: from the same point of one cycle to that of a later one."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from harness.core.errors import Abandoned
from harness.core.quantities import format_duration
from harness.verified_meter.load_dialogue import Asked
from instruments.operator.person import SECONDS_TO_READ, UndoLast

LEAST_TIMES = 20
"""Times as long as a reading takes that the cycles must last, so that their time is known to a tenth."""


@dataclass(frozen=True)
class CountedCycles:
    """What the register rose by, in joules as displayed, over whole `cycles` in `seconds`, of which each end is known to `reading_time` seconds."""

    cycles: int
    energy: float
    seconds: float
    reading_time: float = SECONDS_TO_READ


def count_cycles(asked: Asked, cycles: int, now: Callable[[], float] = time.monotonic) -> CountedCycles:
    """Have the register read over so many cycles, with the load plugged in. Raises Abandoned where it counted nothing."""
    load = asked.load
    asked.person.confirm(f"Do not leave {load} alone. Wait until it has gone off and comes on again by itself.")
    before, began = _register(asked, now, "as the load comes on")
    asked.person.confirm(
        f"Wait for {cycles} whole cycle{'s' * (cycles > 1)}, until {load} has come on by itself {cycles} more time{'s' * (cycles > 1)}."
    )
    after, ended = _register(asked, now, "as the load comes on again")
    if after <= before:
        raise Abandoned("the energy register counted nothing over these cycles")
    found = CountedCycles(cycles, after - before, ended - began)
    if found.seconds < LEAST_TIMES * found.reading_time:
        raise Abandoned(
            f"these cycles took {format_duration(found.seconds)}, which is too short to read the register by: expected more cycles (--cycles)"
        )
    return found


def _register(asked: Asked, now: Callable[[], float], what: str) -> tuple[float, float]:
    while True:
        at = now()
        with suppress(UndoLast):
            return asked.display.energy(what), at
