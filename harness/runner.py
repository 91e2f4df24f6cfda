"""The runner: performs the steps of a procedure on a station, within the limits, and writes down all that happens.

It never leaves a bench as it found a failure: `execute` makes everything safe on every way out and says how it ended.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from harness.bench import Bench
from harness.clock import Clock
from harness.device import Device, Range, limit_of_error
from harness.errors import AbortedSafe, NotSafe, RatioproofError, Stopped
from harness.limits import CLIP, Ceiling, approach_current, ceiling, switch_looks_elsewhere
from harness.observing import PairReader, PointPairs
from harness.progress import Progress
from harness.quantities import format_quantity
from harness.record import RecordWriter
from harness.safing import make_all_safe, not_safe_message
from harness.settling import settle
from harness.station import Station
from harness.steps import Apply, Observe, Options, PointReading, Procedure, Release, Select, Step
from harness.stop import StopSignal
from instruments.errors import IdentityError, InstrumentError, LinkError, QueuedError, ReplyError
from instruments.reading import Identity

ATTEMPTS = 6
"""How often an exchange or a whole point is redone on a fresh link before the run is given up."""

AGREEMENT = 0.10
"""How far (relative) the reference may be from what the load was asked for before the operator must look."""

_T = TypeVar("_T")


class LoadStaysOn(RatioproofError):
    """The load was told to switch off and did not confirm, or current still flows."""


class Abandoned(RatioproofError):
    """The run cannot go on; the message says why."""


@dataclass
class _Where:
    """Where the bench stands: selected range, current in amperes, and what is known of the range so far."""

    range: Range | None = None
    current: float = 0.0
    nominal: float = 0.0
    approached: bool = False
    observed_turns: float = 0.0
    ceiling: Ceiling | None = None
    refused: str = ""
    full_scale: float | None = None


class Runner:
    """Performs steps. `finished` holds the points an earlier part of the run has completed, by their number."""

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
        finished: dict[int, PointReading] | None = None,
        time_zero: float | None = None,
    ) -> None:
        self._device, self._bench, self._station, self._identities = device, bench, station, identities
        self._writer, self._clock, self._stop, self._progress = writer, clock, stop, progress
        self._finished = finished or {}
        self._where = _Where()
        self._replaying = bool(self._finished)
        self._wanted: tuple[Range | None, float] = (None, 0.0)
        self._point = 0
        self._pairs = PairReader(
            device, bench, station, clock, clock.now() if time_zero is None else time_zero
        )

    def run(self, procedure: Procedure, options: Options) -> None:
        """Perform every step of `procedure`. Raises Stopped, Abandoned, LoadStaysOn or InstrumentError."""
        steps = procedure.steps(self._device, options)
        answer: PointReading | None = None
        while True:
            self._stop.check()
            try:
                step = steps.send(answer)
            except StopIteration:
                return
            answer = self._perform(step)

    def _perform(self, step: Step) -> PointReading | None:
        match step:
            case Select(range=rng):
                self._wanted = (rng, 0.0)
                if not self._replaying:
                    self._select(rng)
            case Apply(current=current):
                self._wanted = (self._wanted[0], current)
                if not self._replaying:
                    self._apply(current)
            case Release():
                self._wanted = (self._wanted[0], 0.0)
                if not self._replaying:
                    self._release()
            case Observe():
                return self._observe(step)
        return None

    def _observe(self, step: Observe) -> PointReading:
        number, self._point = self._point, self._point + 1
        if number in self._finished:
            self._progress.finished_point(number, step.point, None, None)
            return self._finished[number]
        if self._replaying:
            self._catch_up()
        rng = self._selected()
        if self._where.refused and step.direction != "zero":
            self._writer.write(
                "skip", point=number, name=step.point, range=rng.name, reason=self._where.refused
            )
            self._progress.note(f"{step.point} left out: {self._where.refused}")
            return PointReading(step.point, 0.0, 0.0, 0, skipped=self._where.refused)
        self._progress.doing(f"reading {step.point}")
        reading = self._redoing(step.point, lambda attempt: self._read_point(number, step, rng, attempt))
        if step.direction == "zero":
            self._progress.finished_point(number, step.point, None, None)
        else:
            ratio = reading.indicated_current / reading.reference_current
            self._where.observed_turns = ratio * rng.primary_turns
            self._progress.finished_point(
                number, step.point, ratio - 1, limit_of_error(self._device, rng, reading.reference_current)
            )
        return reading

    def _read_point(self, number: int, step: Observe, rng: Range, attempt: int) -> PointReading:
        """One whole point: settled anew, every pair read, the error queue empty; only then is it finished."""
        scale = self._configure(self._where.current)
        if self._where.current:
            self._settle()
        else:
            self._clock.sleep(2 * self._device.display.refresh_interval)
        pairs = PointPairs()
        while pairs.count < step.count:
            self._stop.check()
            pair = self._pairs.read(rng, self._where.current)
            self._writer.write("reading", point=number, attempt=attempt, pair=pairs.count, **pair.as_line)
            pairs.add(pair)
        self._station.reference.check()
        self._writer.write(
            "point",
            point=number,
            name=step.point,
            attempt=attempt,
            range=rng.name,
            direction=step.direction,
            nominal_current=self._where.nominal,
            reference_scale=scale,
            count=pairs.count,
        )
        factor = self._bench.reference_path.factor
        return PointReading(
            step.point, pairs.mean_reference * factor, pairs.mean_displayed * rng.display_factor, pairs.count
        )

    def _select(self, rng: Range) -> None:
        self._release()
        self._progress.doing(f"selecting range {rng.name}")
        answer = self._redoing(f"selecting {rng.name}", lambda _: self._station.switch.select(rng.name))
        self._where = _Where(range=rng, full_scale=self._where.full_scale)
        self._where.ceiling = ceiling(self._device, self._bench, rng)
        self._writer.write(
            "step",
            step="select",
            range=rng.name,
            answer=answer,
            ceiling=self._where.ceiling.current,
            ceiling_set_by=self._where.ceiling.set_by,
        )

    def _apply(self, current: float) -> None:
        rng = self._selected()
        if not self._where.approached:
            self._approach(rng, current)
        if self._where.refused and not self._where.observed_turns:
            return
        limit = ceiling(self._device, self._bench, rng, self._where.observed_turns)
        if (
            self._where.ceiling is None
            or abs(limit.current - self._where.ceiling.current) > CLIP * limit.current
        ):
            self._writer.write(
                "ceiling",
                range=rng.name,
                ceiling=limit.current,
                ceiling_set_by=limit.set_by,
                observed_turns=self._where.observed_turns,
            )
            self._where.ceiling = limit
        if current > limit.current * (1 + CLIP):
            self._where.refused = f"{format_quantity(current, 'A')} is above the ceiling of {format_quantity(limit.current, 'A')} set by {limit.set_by}"
            return
        self._where.refused = ""
        self._drive(min(current, limit.current), nominal=current)

    def _approach(self, rng: Range, first: float) -> None:
        """Try a newly selected range at a current that is safe wherever the switch may really stand."""
        current = min(first, approach_current(self._device, self._bench, rng))
        while True:
            self._progress.doing(f"approaching {rng.name} at {format_quantity(current, 'A')}")
            self._drive(current, nominal=current)
            turns = self._redoing(f"approach of {rng.name}", lambda _: self._turns_seen(rng))
            self._where.approached, self._where.observed_turns = True, turns
            if turns <= 0:
                self._where.refused = f"nothing is read at {format_quantity(current, 'A')}: no turn through the core, a blown secondary fuse or an open secondary"
                self._progress.note(f"{rng.name}: {self._where.refused}")
                self._release()
                return
            elsewhere = switch_looks_elsewhere(self._device, rng, turns)
            if elsewhere is None:
                return
            text = (
                f"Range {rng.name} reads as {turns:.2f} turns where {rng.primary_turns} are expected: as if the switch stood at {elsewhere.name}. "
                "The ceiling now follows what is read."
            )
            self._progress.note(text)
            answer = self._station.person.choose(f"{text}\n  Look at the switch.", ["again", "go on", "stop"])
            self._writer.write("prompt", text=text, answer=answer)
            if answer == "stop":
                self._stop.request("stopped by the operator at a prompt")
                self._stop.check()
            if answer == "go on":
                return
            self._select(rng)

    def _turns_seen(self, rng: Range) -> float:
        self._configure(self._where.current)
        self._settle()
        pair = self._pairs.read(rng, self._where.current)
        reference = pair.reference.value * self._bench.reference_path.factor
        turns = rng.primary_turns * pair.displayed.value * rng.display_factor / reference
        self._writer.write("approach", range=rng.name, turns=turns, **pair.as_line)
        return turns

    def _drive(self, current: float, nominal: float) -> None:
        """Bring the load to `current`, the reference's range being changed on the safe side of the step."""
        self._stop.check()
        if current == self._where.current:
            self._where.nominal = nominal
            return
        if current > self._where.current:
            self._redoing("reference range", lambda _: self._configure(current))
        limit = ceiling(self._device, self._bench, self._selected(), self._where.observed_turns).current
        self._redoing("load limit", lambda _: self._station.load.protect(limit * 1.01))
        self._progress.energised(current)
        # The current counts as applied before the command is sent: if the link dies in between, the load may be on.
        self._where.current, self._where.nominal = current, nominal
        self._redoing(f"driving {format_quantity(current, 'A')}", lambda _: self._station.load.drive(current))
        self._writer.write("step", step="apply", current=current)

    def _configure(self, current: float) -> float:
        """Put the reference on its smallest range that takes `current` amperes with 5 % to spare; its full scale."""
        factor = self._bench.reference_path.factor
        scales = [r.full_scale for r in self._bench.entry("reference").ranges]
        scale = next((s for s in scales if s * factor >= 1.05 * current), scales[-1])
        if scale != self._where.full_scale:
            self._where.full_scale = None
            self._station.reference.configure(scale)
            self._where.full_scale = scale
        return scale

    def _settle(self) -> None:
        """Wait for the reference to settle and the display to have caught up; then they must agree with what was asked."""
        rng, wanted = self._selected(), self._where.current
        scale = next(
            r for r in self._bench.entry("reference").ranges if r.full_scale == self._where.full_scale
        )
        floor = 2 * scale.resolution + scale.of_range * scale.full_scale
        found = settle(
            lambda: self._station.reference.read().value, self._clock, floor=floor, between=self._stop.check
        )
        if found is None:
            raise Abandoned(f"{format_quantity(wanted, 'A')} on {rng.name} did not settle")
        read = found.mean * self._bench.reference_path.factor
        if abs(read - wanted) > AGREEMENT * wanted + floor * self._bench.reference_path.factor:
            raise Abandoned(
                f"the load was asked for {format_quantity(wanted, 'A')} and the reference reads {format_quantity(read, 'A')}: "
                "look at the wiring and at the reference path in the bench file"
            )
        self._clock.sleep(found.since + 2 * self._device.display.refresh_interval - self._clock.now())
        self._writer.write(
            "settled", current=wanted, readings=found.readings, seconds=round(found.duration, 4)
        )

    def _release(self) -> None:
        """Take the load off, have it confirmed, and see with the reference that no current flows."""
        before = self._where.current

        def off(_: int) -> None:
            self._station.load.make_safe()
            confirmed, answer = self._station.load.confirm_safe()
            if not confirmed:
                raise LoadStaysOn(f"{self._station.load.name} did not switch off: {answer}")

        self._redoing("load off", off)
        if before:
            self._redoing("no current", lambda _: self._see_it_dead(before))
        self._where.current = self._where.nominal = 0.0
        self._progress.energised(0.0)
        self._writer.write("step", step="release")

    def _see_it_dead(self, before: float) -> None:
        scale = next(
            (r for r in self._bench.entry("reference").ranges if r.full_scale == self._configure(before))
        )
        factor = self._bench.reference_path.factor
        allowed = 0.02 * before + 3 * factor * (scale.of_range * scale.full_scale + scale.resolution)
        until = self._clock.now() + 5.0
        while (flowing := abs(self._station.reference.read().value) * factor) > allowed:
            if self._clock.now() > until:
                raise LoadStaysOn(
                    f"{self._station.load.name} says it is off but {format_quantity(flowing, 'A')} still flows"
                )

    def _catch_up(self) -> None:
        """Bring the bench to where the first unfinished point needs it."""
        self._replaying = False
        rng, current = self._wanted
        if rng is not None:
            self._select(rng)
            if current:
                self._apply(current)

    def _redoing(self, what: str, action: Callable[[int], _T]) -> _T:
        """Do `action`; when a link or a reply fails, reopen that instrument, identify it again and do it all once more."""
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

    def _reopen(self, name: str) -> None:
        instrument = self._station.instruments[name]
        for attempt in range(1, ATTEMPTS + 1):
            self._stop.check()
            try:
                instrument.open()
                identity = instrument.identify()
                instrument.start()
                break
            except (LinkError, ReplyError, QueuedError):
                if attempt == ATTEMPTS:
                    raise
                self._clock.sleep(0.1 * 2**attempt)
        if identity != self._identities[name]:
            raise IdentityError(
                f"answers as {identity.text!r} after reopening, was {self._identities[name].text!r}",
                instrument=name,
                address=instrument.address,
            )
        if name == self._station.reference.name:
            self._where.full_scale = None

    def _selected(self) -> Range:
        if self._where.range is None:
            raise Abandoned("the procedure applies or observes before it selects a range")
        return self._where.range


def execute(
    runner: Runner, procedure: Procedure, options: Options, station: Station, writer: RecordWriter
) -> None:
    """Run `procedure` from safe to safe. Raises AbortedSafe or NotSafe unless it came to its end with everything off.

    The bench is made safe before the first step and after the last, whatever happened between; a stop signal waits.
    """
    states = make_all_safe(station.instruments, station.safe_order, writer)
    if not all(s.confirmed for s in states):
        writer.write("stop", outcome="not safe", reason="not safe at the start")
        raise NotSafe(not_safe_message(states))
    failure: BaseException | None = None
    try:
        runner.run(procedure, options)
    except BaseException as caught:  # noqa: BLE001  everything, a programming error included, must pass through safing
        failure = caught
    states = make_all_safe(station.instruments, station.safe_order, writer)
    reason = _reason(failure)
    if not all(s.confirmed for s in states):
        writer.write("stop", outcome="not safe", reason=reason)
        raise NotSafe("\n".join(filter(None, [reason, not_safe_message(states)]))) from failure
    if failure is None:
        writer.write("stop", outcome="complete", reason="")
        return
    writer.write("stop", outcome="aborted", reason=reason)
    if isinstance(failure, Stopped | RatioproofError | InstrumentError | OSError):
        raise AbortedSafe(f"{reason}; everything is off and confirmed") from failure
    raise failure


def _reason(failure: BaseException | None) -> str:
    return "" if failure is None else str(failure) or type(failure).__name__
