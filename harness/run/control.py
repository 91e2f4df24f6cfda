"""Control of an opened station: driving the current, taking it off, reading steadily, mending what a bad link breaks.

What is true of the bench at any moment (current applied, reference's range) is kept here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from harness.core.clock import Clock
from harness.core.errors import RatioproofError
from harness.core.progress import Progress
from harness.core.quantities import format_quantity
from harness.core.stop import StopSignal
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.journal import RecordWriter
from harness.run.auxiliary_readings import secondary_scale
from harness.run.pair_reader import PairReading
from harness.run.settling import settle
from harness.run.time_on import OnTooLong, reason, scale_for, time_on
from harness.station.plausibility import Applied
from harness.station.station import Station
from instruments.drivers.on_for import OnFor
from instruments.errors import IdentityError, InstrumentError, LinkError, QueuedError, ReplyError
from instruments.operator.person import NOTHING_BEFORE, SECONDS_TO_ACT, UndoLast
from instruments.reading import Identity

ATTEMPTS = 6
"""How often an exchange or a whole point is redone on a fresh link before the run is given up."""

AGREEMENT, AGREEMENT_WITH_SHELF = 0.10, 0.50
"""How far (relative) the reference may be from what the load was asked for before the operator must look.

What is written on a load from a shelf says only roughly what it draws.
"""

WANDER, WANDER_OF_MAINS = 0.01, 0.05
"""How far (relative) a reading may be from where the current had settled and still be one of the same point.

A load plugged into the mains follows its voltage, and changes while it warms.
"""

DEAD = 0.2
"""Part of the smallest claimed current that may still be seen when the load is off, where the reference's floor is lower."""

DEAD_WITHIN = 5.0
"""Seconds a current may take to die away after the load is off."""

PROTECTION = 1.01
"""The load's own protection is set this much above the ceiling, so that it acts on faults and not on noise."""

_T = TypeVar("_T")


class LoadStaysOn(RatioproofError):
    """The load was told to switch off and did not confirm, or current still flows."""


class Abandoned(RatioproofError):
    """The run cannot go on; the message says why."""


class Control:
    """Hands on the load, the reference and their links. `current` is the primary current applied, in amperes."""

    def __init__(
        self,
        device: Device,
        bench: Bench,
        station: Station,
        identities: dict[str, Identity],
        writer: RecordWriter,
        clock: Clock,
        stop: StopSignal,
        progress: Progress,
    ) -> None:
        self._device, self._bench, self._station, self._identities = device, bench, station, identities
        self._writer, self._clock, self._stop, self._progress = writer, clock, stop, progress
        self._shelf = station.load.by_person
        self.current = 0.0
        self.power_factor: float | None = None
        self._protected_at: float | None = None
        self._load_reopened = False
        self._seen_dead = False
        # Whether something was applied since the reference saw that nothing flows: that somebody unplugged it is only said.
        self._may_flow = False
        self._full_scale: float | None = None
        self._settled_at = 0.0
        # What the load was asked for and the reference has read: on any of these a smaller range may be used.
        self._read_before: dict[float | None, float] = {}
        self._on_since: float | None = None

    @property
    def applied(self) -> Applied:
        """What flows now."""
        return Applied(self.current, self.power_factor, self._full_scale)

    def drive(self, current: float, limit: float) -> None:
        """Bring the load to `current` amperes, its own protection just above `limit`.

        On the way up the reference's range is changed first, so that the step cannot overload it.
        Raises InstrumentError.
        """
        self._stop.check()
        if current == self.current:
            return
        unseen = self._load_of(current) not in self._read_before and self._scale_for(current) != self._largest_scale
        if self._station.reference.by_person and unseen:
            self._look(current, limit)
        rising = current > self.current
        if self._shelf or self._person_turns_for(current):
            # Nobody plugs anything in or moves the reference's leads while current flows.
            self._take_off()
        if self._shelf and unseen and not self._station.reference.by_person:
            self.redoing("reference range", lambda _: self._put_on(self._largest_scale))
        elif rising or self._shelf or self._person_turns_for(current):
            self.redoing("reference range", lambda _: self._configure(current))
        self._energise(current, limit, rising)
        self._writer.write("step", step="apply", current=current)

    def _energise(self, current: float, limit: float, rising: bool) -> None:
        if rising and not self._shelf:
            self._protect(limit)
        self._progress.energised(current)
        if not self.current:
            self._on_since = None
        # The current counts as applied before the command is sent: if the link dies in between, the load may be on.
        self.current, self._may_flow = current, True
        self.redoing(f"driving {format_quantity(current, 'A')}", lambda _: self._drive_load(current))
        if self._shelf:
            self._check_enough_is_left()
        if not rising:
            # A protection below the present setting is refused, so on the way down it follows.
            self._protect(limit)

    def _take_off(self) -> None:
        if self.current:
            self.redoing("load off", lambda _: self._switch_off())
            if self._can_see_dead:
                # Before somebody is told that nothing is plugged in.
                self.redoing("no current", lambda _: self._see_it_dead())
            self.current = 0.0
            self._stop.check()

    def _load_of(self, current: float) -> float | None:
        """What was plugged in, by its current; one on a link is always the same."""
        return current if self._shelf else None

    def _look(self, current: float, limit: float) -> None:
        """Read a load never seen before on the largest range of a person's reference, then take it off again.

        An appliance left on a higher stage, or a ratio typed wrong, would put amperes through the smallest range.
        """
        reference = self._station.reference
        self._progress.note(
            f"{format_quantity(current, 'A')} has not been measured yet. The reference reads it on its largest range first."
        )
        self._take_off()
        self.redoing("reference range", lambda _: self._put_on(self._largest_scale))
        self._energise(current, limit, rising=True)
        while True:
            try:
                reading = reference.read(current / self._bench.reference_path.factor)
                break
            except UndoLast:
                self._progress.note(NOTHING_BEFORE)
        self._writer.write("look", current=current, reference=reading.value, raw=reading.raw, scale=self._full_scale)
        self._check_agreement(reading.value)
        self._take_off()

    @property
    def longest_on(self) -> str:
        """For how long what is on may be on, in words; empty when that has no end."""
        found = self._on_for
        return "" if found is None else reason(found)

    @property
    def _on_for(self) -> OnFor | None:
        return time_on(self._bench, self.current, self._full_scale) if self.current else None

    def check_on_time(self, seconds: float = 0.0) -> None:
        """Raise OnTooLong when what is on would be on for longer than it may be, were it taken off in `seconds`."""
        found = self._on_for
        if found is None or self._on_since is None:
            return
        if self._clock.now() + seconds + SECONDS_TO_ACT - self._on_since > found.seconds:
            raise OnTooLong(reason(found))

    def _check_enough_is_left(self) -> None:
        """Raise OnTooLong when half of the time was over before the person said that the load is on: too little is left to read in."""
        found = self._on_for
        if found is not None and self._on_since is not None and self._clock.now() - self._on_since > found.seconds / 2:
            raise OnTooLong(reason(found))

    def _about_to_flow(self) -> None:
        """The last look before anything flows: a run that stood still is not to energise what its guard has switched off.

        Time on is counted from here, before a person is asked to plug anything in: nobody knows how soon they do.
        """
        self._stop.check()
        if self._on_since is not None:
            return
        self._on_since, found = self._clock.now(), self._on_for
        if found is not None and (self._shelf or self._station.reference.by_person):
            off = (
                "Switch it off and unplug it, then press Enter."
                if self._shelf
                else "Press Enter: the load is switched off."
            )
            self._station.person.warn_after(found.seconds, f"NOW: {found}, and that time is over. {off}")

    def _between(self) -> None:
        self._stop.check()
        self.check_on_time()

    def _protect(self, limit: float) -> None:
        # No load takes a limit beyond its own range.
        largest = self._bench.entry("load").maximum_current
        wanted = limit * PROTECTION if largest is None else min(limit * PROTECTION, largest)

        def protect(_: int) -> None:
            if self._load_reopened and self.current:
                self._drive_load(self.current)
            self._station.load.protect(wanted)

        self.redoing("load limit", protect)
        self._protected_at = wanted

    def _drive_load(self, current: float) -> None:
        """Drive; a load whose link was lost may have restarted, so what had been set on it is set again, from off."""
        if self._load_reopened:
            self._switch_off()
            if self.power_factor is not None:
                self._station.load.set_power_factor(self.power_factor)
            if self._protected_at is not None:
                self._station.load.protect(self._protected_at)
            self._load_reopened = False
        self._station.load.drive(current, self._about_to_flow, self._on_for)

    def set_power_factor(self, power_factor: float) -> None:
        """Have the load draw its current at `power_factor`; it is off while that changes. Raises InstrumentError."""
        if power_factor == self.power_factor:
            return
        if self.current:
            self.release()
        what = f"power factor {power_factor:g}"
        self.redoing(what, lambda _: self._station.load.set_power_factor(power_factor))
        self.power_factor = power_factor
        self._writer.write("step", step="power factor", power_factor=power_factor)

    def release(self) -> None:
        """Take the load off, have it confirmed, and see with the reference that no current flows."""
        before = self.current

        self.redoing("load off", lambda _: self._switch_off())
        if self._can_see_dead and (before or not self._seen_dead):
            self.redoing("no current", lambda _: self._see_it_dead())
        self.current = 0.0
        self._progress.energised(0.0)
        self._writer.write("step", step="release")

    def _switch_off(self) -> None:
        self._station.load.make_safe()
        confirmed, answer = self._station.load.confirm_safe()
        if not confirmed:
            raise LoadStaysOn(f"{self._station.load.name} did not switch off: {answer}")
        self._station.person.warn_after(0, "")

    @property
    def _can_see_dead(self) -> bool:
        """A zero typed by the person who has just said that the load is off would add nothing to it."""
        return not self._station.reference.by_person

    def verify_dead(self) -> str:
        """After a run that failed: see with the reference that no current flows, whatever the load says of itself.

        Empty when it was seen or nothing had been applied; else why the reference could not be asked. Does not
        listen to a stop, reopens the reference itself. Raises LoadStaysOn.
        """
        answer = ""
        for attempt in range(3 if self._may_flow and self._can_see_dead else 0):
            try:
                if attempt:
                    self._station.reference.open()
                    self._station.reference.start()
                    self._full_scale = None
                self._see_it_dead()
                return ""
            except InstrumentError as failure:
                answer = str(failure)
        return answer

    def steady(self) -> float:
        """Settled, on the reference's range for this current; its full scale.

        After a step down the current settles on the range it came from, which the tail of the step cannot overload. A person
        changes no wiring while current flows, whatever it has become, nor to read that nothing flows.
        """
        if self._station.reference.by_person:
            if self.current:
                self._settle()
            return self._put_on(self._full_scale or self._largest_scale)
        if self._full_scale is None:
            self._configure(self.current)
        before = self._full_scale
        if self.current:
            self._settle()
        scale = self._configure(self.current)
        if self.current and scale != before:
            self._settle()
        return scale

    def check_plausible(self, pair: PairReading) -> None:
        """Raise ReplyError for a reading far from where the current has settled: garbled, or no longer settled.

        What a person typed was settled when it was typed; it must agree with what the load should draw. Raises Abandoned.
        """
        if self.current and (self._station.reference.by_person or pair.reference.value <= 0):
            self._check_agreement(pair.reference.value)
        if self._station.reference.by_person:
            return
        wander = WANDER_OF_MAINS if self._shelf else WANDER
        if self.current and abs(pair.reference.value - self._settled_at) > wander * self._settled_at + self._floor():
            raise ReplyError(
                f"{pair.reference.value:g} is far from the {self._settled_at:g} it had settled at",
                instrument=self._station.reference.name,
                address=self._station.reference.address,
            )

    def redoing(self, what: str, action: Callable[[int], _T]) -> _T:
        """Do `action`; when a link or a reply fails, reopen that instrument, identify it again and do it all anew."""
        for attempt in range(1, ATTEMPTS + 1):
            try:
                return action(attempt)
            except (LinkError, ReplyError, QueuedError) as failure:
                self._writer.write(
                    "trouble", what=what, attempt=attempt, instrument=failure.instrument, message=str(failure)
                )
                if attempt == ATTEMPTS:
                    raise
                self._progress.note(f"{failure}; doing it again on a fresh link")
                self._reopen(failure.instrument)
        raise AssertionError("unreachable")

    def _configure(self, current: float) -> float:
        """Put the reference on its smallest range that takes `current` amperes with 5 % to spare; its full scale."""
        return self._put_on(self._scale_for(current))

    def _put_on(self, scale: float) -> float:
        if scale != self._full_scale:
            self._full_scale = None
            self._station.reference.configure(scale)
            self._full_scale = scale
        return scale

    @property
    def _largest_scale(self) -> float:
        return self._bench.entry("reference").ranges[-1].full_scale

    def _scale_for(self, current: float) -> float:
        # A load off a shelf may draw more than is written on it.
        drawn = max(current, self._read_before.get(self._load_of(current), 0.0)) if self._shelf else current
        return scale_for(self._bench, drawn)

    def _person_turns_for(self, current: float) -> bool:
        """Whether a person would have to turn the reference to another range for `current`."""
        return self._station.reference.by_person and self._scale_for(current) != self._full_scale

    def _floor(self) -> float:
        """What two readings of the reference may differ by at any current, in its own unit."""
        scale = next(r for r in self._bench.entry("reference").ranges if r.full_scale == self._full_scale)
        return 2 * scale.resolution + scale.of_range * scale.full_scale

    def _settle(self) -> None:
        """Wait until the reference has settled and the display has caught up; it must read what was asked for."""
        wanted = self.current
        floor = self._floor()
        if self._station.reference.by_person:
            self._between()
            # Whoever types what it shows waits until it is steady, and is asked again when it is far from expected.
            self._stop.pause(self._clock, 2 * self._device.display.refresh_interval)
            return
        found = settle(lambda: self._station.reference.read().value, self._clock, floor=floor, between=self._between)
        if found is None:
            raise Abandoned(f"{format_quantity(wanted, 'A')} did not settle")
        self._settled_at = found.mean
        self._check_agreement(found.mean)
        self._stop.pause(self._clock, found.since + 2 * self._device.display.refresh_interval - self._clock.now())
        self._writer.write("settled", current=wanted, readings=found.readings, seconds=round(found.duration, 4))

    def _check_agreement(self, reading: float) -> None:
        """The reference must read about what the load was asked for; `reading` in the reference's own unit."""
        read, factor = reading * self._bench.reference_path.factor, self._bench.reference_path.factor
        agreement = AGREEMENT_WITH_SHELF if self._shelf else AGREEMENT
        # Nothing at all is no current that anything could be compared with, however coarse the reference is.
        if read <= 0 or abs(read - self.current) > agreement * self.current + self._floor() * factor:
            raise Abandoned(
                f"{format_quantity(self.current, 'A')} was expected and the reference reads {format_quantity(read, 'A')}: "
                "look at the wiring, at the load and at the reference path in the bench file"
            )
        self._read_before[self._load_of(self.current)] = read

    def _see_it_dead(self) -> None:
        """The reference reads nothing: first on the range of the current before, then on that of the smallest current.

        Before anything was applied the first look is on the reference's largest range.
        """
        largest = self._bench.entry("reference").ranges[-1].full_scale * self._bench.reference_path.factor
        smallest = min(r.minimum_current for r in self._device.ranges)
        factor = self._bench.reference_path.factor
        until = self._clock.now() + DEAD_WITHIN
        for looked_for in (self.current or largest, smallest):
            self._configure(looked_for)
            allowed = max(3 * self._floor() * factor, DEAD * smallest)
            while (flowing := abs(self._station.reference.read().value) * factor) > allowed:
                if self._clock.now() > until:
                    raise LoadStaysOn(
                        f"{self._station.load.name} was told to switch off and {format_quantity(flowing, 'A')} still flows"
                    )
        self._seen_dead, self._may_flow = True, False

    def _reopen(self, name: str) -> None:
        instrument, secondary = self._station.instruments[name], self._station.secondary
        if secondary is not None and name == secondary.name and self.current:
            # It may have restarted on another function, and the loop it stands in would be open.
            raise Abandoned(
                f"{name}, the meter in the secondary, was lost while {format_quantity(self.current, 'A')} flowed"
            )
        for attempt in range(1, ATTEMPTS + 1):
            self._stop.check()
            try:
                instrument.open()
                identity = instrument.identify()
                instrument.start()
                if secondary is not None and name == secondary.name:
                    secondary.configure(secondary_scale(self._device, self._bench))
                break
            except (LinkError, ReplyError, QueuedError):
                if attempt == ATTEMPTS:
                    raise
                self._stop.pause(self._clock, 0.1 * 2**attempt)
        if identity != self._identities[name]:
            raise IdentityError(
                f"answers as {identity.shown!r} after reopening, was {self._identities[name].shown!r}",
                instrument=name,
                address=instrument.address,
            )
        if name == self._station.load.name and not self._shelf:
            self._load_reopened = True
        if name == self._station.reference.name:
            self._full_scale = None
