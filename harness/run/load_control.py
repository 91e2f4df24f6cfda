"""Control of the load: setting the current and taking it off; on the way up the reference's range is set first."""

from harness.core.errors import LoadStaysOn
from harness.core.quantities import format_quantity
from harness.current_limits.ratings import CurrentLimit
from harness.run.link_recovery import LinkRecovery
from harness.run.reference_current import ReferenceCurrent
from harness.run.run_context import BenchState, RunContext
from harness.run.time_on import TimeOn

PROTECTION = 1.01
"""The load's own protection relative to the maximum test current: high enough to act on faults and not on noise."""


class LoadControl:
    """Drives the load; `state` is the present state of the bench, `links` recovers failed links."""

    def __init__(self, run: RunContext) -> None:
        self._run, self._load, self._shelf = run, run.station.load, run.station.load.by_person
        self.state = BenchState()
        self.links = LinkRecovery(run, self.state)
        self.time_on = TimeOn(run, self.state)
        self.reference = ReferenceCurrent(run, self.state, self.time_on)
        self._protected_at: float | None = None

    def drive(self, current: float, limit: float, withstood: CurrentLimit) -> None:
        """Bring the load to `current` amperes, its own protection just above `limit`; the path withstands no more than `withstood`.

        On the way up the reference's range is changed first, so that the step cannot overload it. Raises InstrumentError.
        """
        self._run.stop.check()
        self.state.withstood = withstood
        if current == self.state.current:
            return
        reference, unseen = self.reference, self.reference.unseen(current)
        if reference.by_person and unseen:
            self._look(current, limit)
        rising, turned = current > self.state.current, reference.turned_for(current)
        if self._shelf or turned:
            # Nobody plugs anything in or moves the reference's leads while current flows.
            self._take_off()
        if self._shelf and unseen and not reference.by_person:
            self.links.redoing("reference range", lambda _: reference.put_on(reference.largest_scale))
        elif rising or self._shelf or turned:
            self.links.redoing("reference range", lambda _: reference.configure(current))
        self._energise(current, limit, rising)
        self._run.writer.write("step", step="apply", current=current)

    def set_power_factor(self, power_factor: float) -> None:
        """Set the load to `power_factor`; it is off while that changes. Raises InstrumentError."""
        if power_factor == self.state.power_factor:
            return
        if self.state.current:
            self.release()
        what = f"power factor {power_factor:g}"
        self.links.redoing(what, lambda _: self._load.set_power_factor(power_factor))
        self.state.power_factor = power_factor
        self._run.writer.write("step", step="power factor", power_factor=power_factor)

    def release(self) -> None:
        """Take the load off, have it confirmed, and verify with the reference that no current flows."""
        self._off()
        self._run.progress.energised(0.0)
        self._run.writer.write("step", step="release")

    def _look(self, current: float, limit: float) -> None:
        """Read an unknown load on the largest range of a person's reference, then take it off again.

        An appliance left on a higher stage, or a ratio typed wrong, would put amperes through the smallest range.
        """
        reference = self.reference
        self._run.progress.note(
            f"{format_quantity(current, 'A')} has not been measured yet. The reference reads it on its largest range first."
        )
        self._take_off()
        self.links.redoing("reference range", lambda _: reference.put_on(reference.largest_scale))
        self._energise(current, limit, rising=True)
        reference.look()
        self._take_off()

    def _energise(self, current: float, limit: float, rising: bool) -> None:
        if rising and not self._shelf:
            self._protect(limit)
        self._run.progress.energised(current)
        if not self.state.current:
            self.time_on.forget()
        # The current counts as applied before the command is sent: if the link dies in between, the load may be on.
        self.state.current, self.state.may_flow, self.state.steady = current, True, False
        self.links.redoing(f"driving {format_quantity(current, 'A')}", lambda _: self._drive_load(current))
        if self._shelf:
            self.time_on.check_enough_is_left()
        if not rising:
            # A protection below the present setting is refused, so on the way down it follows.
            self._protect(limit)

    def _take_off(self) -> None:
        if self.state.current:
            self._off()
            self._run.stop.check()

    def _off(self) -> None:
        reference, before = self.reference, self.state.current
        self.links.redoing("load off", lambda _: self._switch_off())
        if reference.can_see_dead and (before or not reference.seen_dead):
            # Before a person is told that nothing is plugged in.
            self.links.redoing("no current", lambda _: reference.see_dead())
        self.state.current, self.state.steady = 0.0, False

    def _protect(self, limit: float) -> None:
        # No load takes a limit beyond its own range.
        largest = self._run.bench.entry("load").maximum_current
        wanted = limit * PROTECTION if largest is None else min(limit * PROTECTION, largest)

        def protect(_: int) -> None:
            if self.state.load_restarted and self.state.current:
                self._drive_load(self.state.current)
            self._load.protect(wanted)

        self.links.redoing("load limit", protect)
        self._protected_at = wanted

    def _drive_load(self, current: float) -> None:
        """Drive; a load whose link was lost may have restarted, so its settings are repeated, from off."""
        if self.state.load_restarted:
            self._switch_off()
            if self.state.power_factor is not None:
                self._load.set_power_factor(self.state.power_factor)
            if self._protected_at is not None:
                self._load.protect(self._protected_at)
            self.state.load_restarted = False
        self._load.drive(current, self.time_on.about_to_flow, self.time_on.allowed)
        self.state.driven_at = self._run.clock.now()

    def _switch_off(self) -> None:
        self._load.make_safe()
        confirmed, answer = self._load.confirm_safe()
        if not confirmed:
            raise LoadStaysOn(f"{self._load.name} did not switch off: {answer}")
        self._run.station.person.warn_after(0, "")
