"""Energy over whole cycles of a load that comes and goes: from the same point of one cycle to that of a later one."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from harness.core.errors import Abandoned
from harness.verified_meter.load_dialogue import Asked
from instruments.operator.person import SECONDS_TO_READ, UndoLast


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
    asked.person.confirm(f"Leave {load} on, and do not leave it alone. Wait until it comes on by itself.")
    before, began = _register(asked, now, "as the load comes on")
    asked.person.confirm(
        f"Wait for {cycles} whole cycle{'s' * (cycles > 1)}, until {load} has come on by itself {cycles} more time{'s' * (cycles > 1)}."
    )
    after, ended = _register(asked, now, "as the load comes on again")
    if after <= before:
        raise Abandoned("the energy register counted nothing over these cycles")
    return CountedCycles(cycles, after - before, ended - began)


def _register(asked: Asked, now: Callable[[], float], what: str) -> tuple[float, float]:
    while True:
        at = now()
        with suppress(UndoLast):
            return asked.display.energy(what), at
