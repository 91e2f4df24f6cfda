"""For how long what is plugged in may be on: a load by what its maker allows, and the range of the reference it is read on."""

from __future__ import annotations

from harness.core.errors import RatioproofError
from harness.core.quantities import format_quantity
from harness.files.bench import Bench, ShelfEntry
from harness.files.instrument_entry import Accuracy
from instruments.drivers.on_for import OnFor

OF_TIME_ON = "(longest_on)"
"""What ends the reason why something was cut or left out so that nothing is on for too long."""

HEADROOM, HEADROOM_WITH_SHELF = 1.05, 1.3
"""The reference's range takes at least this many times the current expected."""


class OnTooLong(RatioproofError):
    """What is on has been on for the longest it may be, or would be if this went on; the message says so."""


def time_on(bench: Bench, current: float, scale: float | None) -> OnFor | None:
    """For how long `current` amperes may flow with the reference on the range of this full scale; None when nothing limits it."""
    loads = [_of_load(load) for load in bench.entry("load").shelf if load.current == current]
    ranges = [_of_range(bench, r) for r in bench.entry("reference").ranges if r.full_scale == scale]
    return min(filter(None, [*loads, *ranges]), key=lambda found: found.seconds, default=None)


def reason(found: OnFor) -> str:
    """Why something was cut or left out, as it stands in the record."""
    return f"{found} {OF_TIME_ON}"


def reasons(bench: Bench) -> list[str]:
    """Every reason of this kind that a run on `bench` can have."""
    loads = [_of_load(load) for load in bench.entry("load").shelf]
    ranges = [_of_range(bench, r) for r in bench.entry("reference").ranges]
    return [reason(found) for found in (*loads, *ranges) if found is not None]


def scale_for(bench: Bench, current: float) -> float:
    """Full scale of the reference's smallest range that takes `current` amperes with room to spare; else of its largest."""
    ranges, factor = bench.entry("reference").ranges, bench.reference_path.factor
    headroom = HEADROOM_WITH_SHELF if bench.shelf_currents else HEADROOM
    return next((r.full_scale for r in ranges if r.full_scale * factor >= headroom * current), ranges[-1].full_scale)


def _of_load(load: ShelfEntry) -> OnFor:
    return OnFor(f"{load.name} may be on", load.longest_on)


def _of_range(bench: Bench, accuracy: Accuracy) -> OnFor | None:
    if accuracy.longest_on is None:
        return None
    scale = format_quantity(accuracy.full_scale, accuracy.unit)
    return OnFor(f"{bench.roles.reference} may carry current on its {scale} range", accuracy.longest_on)
