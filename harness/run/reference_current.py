"""The current as the reference reads it: on the right range, settled, near the requested value, or none."""

from __future__ import annotations

from collections.abc import Callable

from harness.core.errors import Abandoned, LoadStaysOn
from harness.core.quantities import format_quantity
from harness.current_limits.maximum_test_current import CLIP
from harness.run.pair_reader import PairReading
from harness.run.reference_rules import (
    AGREEMENT,
    AGREEMENT_WITH_SHELF,
    WANDER,
    WANDER_OF_MAINS,
    largest_difference,
    scale_for,
)
from harness.run.run_context import BenchState, RunContext
from harness.run.settling import SECONDS_OF_SLOW_READING, Settled, settle
from harness.run.time_on import TimeOn
from instruments.errors import InstrumentError, ReplyError
from instruments.reading import Reading

FOLLOWS = 0.3
"""Seconds after a step before a slow reading begins: one that holds the step proves nothing. A load that takes longer costs a reading."""

DEAD = 0.2
"""Part of the smallest claimed current that may still be read when the load is off, where the reference's floor is lower."""

DEAD_WITHIN = 5.0
"""Seconds a current may take to die away after the load is off."""


class ReferenceCurrent:
    """Reads the applied current with the reference, and keeps its range in `state`."""

    def __init__(self, run: RunContext, state: BenchState, time_on: TimeOn) -> None:
        self._run, self._state, self._time_on = run, state, time_on
        self._reference, self._shelf = run.station.reference, run.station.load.by_person
        self._ranges, self._factor = run.bench.entry("reference").ranges, run.bench.reference_path.factor
        self.by_person = self._reference.by_person
        # A zero typed by the person who has just said that the load is off would add nothing.
        self.can_see_dead = not self.by_person
        self.seen_dead = False
        self._settled_at = 0.0
        self._last: Reading | None = None
        # The last of the readings that showed the present current to have settled.
        self.settled: Reading | None = None
        # Currents asked of the load and read by the reference: on any of these a smaller range may be used.
        self._read_before: dict[float | None, float] = {}

    @property
    def largest_scale(self) -> float:
        return self._ranges[-1].full_scale

    def unseen(self, current: float) -> bool:
        """Whether the load of `current` amperes was never read, and is to be read on a smaller range than the largest."""
        return self._load_of(current) not in self._read_before and self._scale_for(current) != self.largest_scale

    def turned_for(self, current: float) -> bool:
        """Whether a person would have to turn the reference to another range for `current`."""
        return self.by_person and self._scale_for(current) != self._state.full_scale

    def configure(self, current: float) -> float:
        """Set the smallest range that takes `current` amperes with room to spare; its full scale."""
        return self.put_on(self._scale_for(current))

    def put_on(self, scale: float) -> float:
        """Set the range with this full scale. Raises InstrumentError."""
        if scale != self._state.full_scale:
            self._state.full_scale = None
            self._reference.configure(scale)
            self._state.full_scale = scale
        return scale

    def look(self) -> None:
        """Have a person read the current, and record it. Raises Abandoned where it is not the expected one."""
        reading = self._run.until_read(lambda: self._reference.read(self._state.current / self._factor))
        self._run.writer.write(
            "look",
            current=self._state.current,
            reference=reading.value,
            raw=reading.raw,
            scale=self._state.full_scale,
        )
        self._check_agreement(reading.value)

    def steady(self) -> float:
        """Wait until the current has settled and set the range for it; its full scale. An approach to this very current has shown it already.

        After a step down the range it came from stays until a reading fits the smaller one, which the tail of the step can then not
        overload; a load off a shelf settles on it. A person changes no wiring while current flows, whatever it has become, nor to read
        that nothing flows.
        """
        current, steady = self._state.current, self._state.steady
        self._state.steady, self.settled = False, None
        if self.by_person:
            if current:
                self._settle()
            return self.put_on(self._state.full_scale or self.largest_scale)
        if current and self._state.full_scale is None:
            # Reopened meanwhile, and what flows may not have fallen yet.
            self.put_on(self.largest_scale)
        before = self._state.full_scale
        if current and not steady and not self._fell_into_smaller_range():
            self._settle()
        scale = self.configure(current)
        if current and scale != before:
            # It may carry the current for less long.
            self._time_on.watch()
            self._settle()
        return scale

    def check_plausible(self, pair: PairReading) -> None:
        """Raise ReplyError for a reading far from the settled current: garbled, or no longer settled.

        A typed value was settled when it was typed; it must agree with the load's expected current. Raises Abandoned.
        """
        value, current = pair.reference.value, self._state.current
        if current and (self.by_person or value <= 0):
            self._check_agreement(value)
        if self.by_person:
            return
        wander = WANDER_OF_MAINS if self._shelf else WANDER
        if current and abs(value - self._settled_at) > wander * self._settled_at + self._floor():
            raise ReplyError(
                f"{value:g} is far from the {self._settled_at:g} it had settled at",
                instrument=self._reference.name,
                address=self._reference.address,
            )

    def see_dead(self) -> None:
        """Verify that the reference reads zero: on the range of the current before, then on that of the smallest current.

        Before anything was applied the first reading is on its largest range. Raises LoadStaysOn.
        """
        smallest = min(r.minimum_current for r in self._run.device.ranges)
        until = self._run.clock.now() + DEAD_WITHIN
        for looked_for in (self._state.current or self.largest_scale * self._factor, smallest):
            self.configure(looked_for)
            allowed = max(3 * self._floor() * self._factor, DEAD * smallest)
            while (flowing := abs(self._read()) * self._factor) > allowed:
                if self._run.clock.now() > until:
                    name = self._run.station.load.name
                    raise LoadStaysOn(f"{name} should be off and {format_quantity(flowing, 'A')} still flows")
        self.seen_dead, self._state.may_flow = True, False

    def verify_dead(self) -> str:
        """Verify after a failed run that no current flows, whatever the load reports.

        Empty when that was verified or nothing had been applied; else why the reference could not be read. Ignores a stop, reopens the
        reference itself. Raises LoadStaysOn.
        """
        answer = ""
        for attempt in range(3 if self._state.may_flow and self.can_see_dead else 0):
            try:
                if attempt:
                    self._reference.open()
                    self._reference.start()
                    self._state.full_scale = None
                self.see_dead()
                return ""
            except InstrumentError as failure:
                answer = str(failure)
        return answer

    def _load_of(self, current: float) -> float | None:
        """The load plugged in, by its current; None for a load on a link, which is always the same."""
        return current if self._shelf else None

    def _scale_for(self, current: float) -> float:
        # A load off a shelf may draw more than is written on it.
        drawn = max(current, self._read_before.get(self._load_of(current), 0.0)) if self._shelf else current
        return scale_for(self._run.bench, drawn, current)

    def _floor(self) -> float:
        return largest_difference(next(r for r in self._ranges if r.full_scale == self._state.full_scale))

    def _between(self) -> None:
        self._run.stop.check()
        self._time_on.check()

    def _fell_into_smaller_range(self) -> bool:
        """Whether the requested current is to be read on a smaller range and flows already, as two readings in a row say.

        One reading may be wrong, and on its word alone the smaller range would meet the current before. A load off a shelf settles.
        """
        smaller = self._scale_for(self._state.current)
        if self._shelf or smaller == self._state.full_scale:
            return False
        row = 0

        def fell(read: float) -> bool:
            nonlocal row
            row = row + 1 if self._agrees(read) and self._scale_for(read * self._factor) <= smaller else 0
            return row == 2

        found = self._settled(enough=fell)
        return found is not None and self._scale_for(found.mean * self._factor) <= smaller

    def _settled(self, enough: Callable[[float], bool] = lambda _: False) -> Settled | None:
        clock, last = self._run.clock, self._last
        if last is not None and last.finished - last.started >= SECONDS_OF_SLOW_READING:
            self._run.pause(self._state.driven_at + FOLLOWS - clock.now())
        return settle(self._read, clock, floor=self._floor(), between=self._between, enough=enough)

    def _read(self) -> float:
        self._last = self._reference.read()
        return self._last.value

    def _settle(self) -> None:
        """Wait until the current has settled and the display has caught up; it must be near the requested one."""
        wanted, interval = self._state.current, self._run.device.display.refresh_interval
        if self.by_person:
            self._between()
            # Whoever types what it shows waits until it is steady, and is asked again when it is far from expected.
            self._run.pause(2 * interval)
            return
        found = self._settled()
        if found is None:
            raise Abandoned(f"{format_quantity(wanted, 'A')} did not settle")
        self._settled_at = found.mean
        self._check_agreement(found.mean)
        self._run.pause(found.since + 2 * interval - self._run.clock.now())
        self.settled = self._last
        self._run.writer.write("settled", current=wanted, readings=found.readings, seconds=round(found.duration, 4))

    def _check_agreement(self, reading: float) -> None:
        """Check the reference's reading, in its own unit, against the requested current. Raises Abandoned."""
        wanted, read = self._state.current, reading * self._factor
        if not self._agrees(reading):
            raise Abandoned(
                f"{format_quantity(wanted, 'A')} was expected and the reference reads {format_quantity(read, 'A')}: "
                "look at the wiring, at the load and at the reference path in the bench file"
            )
        most = self._state.withstood
        if most is not None and read > most.current * (1 + CLIP):
            raise Abandoned(
                f"{format_quantity(read, 'A')} flows where {format_quantity(wanted, 'A')} was expected, and no more than "
                f"{format_quantity(most.current, 'A')} may flow ({most.set_by}): correct the load's current in the bench file"
            )
        self._read_before[self._load_of(wanted)] = read

    def _agrees(self, reading: float) -> bool:
        """Whether the reference's reading, in its own unit, is near the requested current."""
        wanted, read = self._state.current, reading * self._factor
        agreement = AGREEMENT_WITH_SHELF if self._shelf else AGREEMENT
        # A reading of zero cannot be compared with any current, however coarse the reference is.
        return read > 0 and abs(read - wanted) <= agreement * wanted + self._floor() * self._factor
