"""Longest time on: of a load by its maker, and of the range of the reference it is read on."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING

from harness.core.quantities import format_quantity
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.instrument_entry import Accuracy
from harness.files.shelf_entry import ShelfEntry
from instruments.drivers.roles import OnFor
from instruments.operator.person import SECONDS_TO_ACT, SECONDS_TO_READ, Overdue

if TYPE_CHECKING:
    # The audit reads the limits alone, and needs nothing of a run.
    from harness.run.run_context import BenchState, RunContext

OF_TIME_ON = "(longest_on)"
"""Suffix of the reason for a cut or a left-out point that keeps within the longest time on."""

TO_BEGIN_A_PAIR = 2 * SECONDS_TO_READ
"""Seconds that must be left when a person begins to read a pair."""

LOOK_EVERY = 1.0
"""Seconds of a wait between two looks at the time on."""

LEAST_LEFT = 0.1
"""Seconds until a warning that is due already."""


class TimeOn:
    """Time on of the present current against its limit."""

    def __init__(self, run: RunContext, state: BenchState) -> None:
        self._run, self._state = run, state
        self._limited = bool(reasons(run.bench))
        self._begun: tuple[float, dt.datetime] | None = None

    def forget(self) -> None:
        """Count anew: nothing is on."""
        self._begun = None

    @property
    def allowed(self) -> OnFor | None:
        """The longest time on of the present current; None when nothing is on, or nothing limits it."""
        return time_on(self._run.bench, self._state.current, self._state.full_scale) if self._state.current else None

    @property
    def reason(self) -> str:
        """The limit as text for the record; empty when there is none."""
        found = self.allowed
        return "" if found is None else reason(found)

    def check(self, seconds: float = 0.0) -> None:
        """Raise Overdue when the longest time on would be exceeded if the load were taken off in `seconds`."""
        self._refuse_beyond(1.0, seconds + SECONDS_TO_ACT)

    def pause(self, seconds: float) -> None:
        """Wait. Raises Overdue when the longest time on would be exceeded by that, or was while the computer slept."""
        self.check(seconds)
        if self.allowed is None:
            self._run.pause(seconds)
            return
        end = self._run.clock.now() + seconds
        while (left := end - self._run.clock.now()) > 0:
            self._run.pause(min(left, LOOK_EVERY))
            self.check()

    def check_enough_is_left(self) -> None:
        """Raise Overdue when half of the time was over before the person said that the load is on: too little is left to read in."""
        self._refuse_beyond(0.5, 0.0)

    def about_to_flow(self) -> None:
        """Check for the last time before current flows: a run that stood still must not energise what its guard has switched off.

        Time on is counted from here, before a person is asked to plug anything in: nobody knows how soon they do.
        """
        self._run.stop.check()
        if not self._limited:
            return
        if self._begun is None:
            self._begun = self._run.clock.now(), self._run.clock.wall()
        self.watch()

    def watch(self) -> None:
        """Have a person warned before the time on is over, as the present range of the reference limits it. Raises Overdue."""
        self.check()
        found, station = self.allowed, self._run.station
        if found is None or not (station.load.by_person or station.reference.by_person):
            return
        left = found.seconds - self._passed()
        if station.load.by_person:
            station.person.warn_after(
                left, f"NOW: {found}, and that time is over. Switch it off and unplug it, then press Enter."
            )
            return
        # Nobody's answer is waited for beyond that time, where the load can be switched off without them.
        station.person.warn_after(
            max(left - SECONDS_TO_ACT, LEAST_LEFT),
            f"NOW: {found}, and that time is nearly over. Press Enter: the load is switched off.",
            lambda: self._run.stop.interrupt(f"{reason(found)}, and no answer came"),
        )

    def _passed(self) -> float:
        """Seconds since it was switched on, by the clock that says more: the running one stands still while the computer sleeps."""
        if self._begun is None:
            return 0.0
        running, of_day = self._begun
        clock = self._run.clock
        return max(clock.now() - running, (clock.wall() - of_day).total_seconds())

    def _refuse_beyond(self, part: float, further: float) -> None:
        found = self.allowed
        if found is not None and self._begun is not None and self._passed() + further > part * found.seconds:
            raise Overdue(reason(found))


def time_on(bench: Bench, current: float, scale: float | None) -> OnFor | None:
    """Longest time on of `current` amperes with the reference on the range of this full scale; None when nothing limits it."""
    loads = [_of_load(load) for load in bench.entry("load").shelf if load.current == current]
    ranges = [_of_range(bench, r) for r in bench.entry("reference").ranges if r.full_scale == scale]
    found = min(filter(None, [*loads, *ranges]), key=lambda found: found.seconds, default=None)
    rests = next((of_range.rests for of_range in ranges if of_range is not None), "")
    return None if found is None else replace(found, rests=rests)


def reason(found: OnFor) -> str:
    """Reason for a cut or a left-out point, as recorded."""
    return f"{found} {OF_TIME_ON}"


def reasons(bench: Bench) -> dict[str, OnFor]:
    """Every such reason possible in a run on `bench`, with its limit."""
    loads = [_of_load(load) for load in bench.entry("load").shelf]
    ranges = [_of_range(bench, r) for r in bench.entry("reference").ranges]
    return {reason(found): found for found in (*loads, *ranges) if found is not None}


def seconds_needed(device: Device, bench: Bench, readings: int) -> float:
    """Seconds on that one point needs with a load that a person plugs in; settling of a reference's range over a link comes on top."""
    typed = SECONDS_TO_READ * sum(bench.entry(role).by_person for role in ("reference", "meter"))
    return 2 * SECONDS_TO_ACT + 2 * device.display.refresh_interval + (readings - 1) * typed + TO_BEGIN_A_PAIR


def _of_load(load: ShelfEntry) -> OnFor:
    return OnFor(f"{load.name} may be on", load.longest_on)


def _of_range(bench: Bench, accuracy: Accuracy) -> OnFor | None:
    if accuracy.longest_on is None:
        return None
    scale = format_quantity(accuracy.full_scale, accuracy.unit)
    what = f"{bench.roles.reference} may carry current on its {scale} range"
    return OnFor(what, accuracy.longest_on, bench.roles.reference)
