"""The runner: performs the steps of a procedure on a station, within the limits, and writes down all that happens.

What it leaves a bench in on every way out is the matter of `execution`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from harness.claims.claim_limits import claimed_limit
from harness.core.clock import Clock
from harness.core.progress import Progress
from harness.core.quantities import format_quantity
from harness.core.stop import StopSignal
from harness.files.bench import Bench
from harness.files.device import Device, Range
from harness.limits.ceilings import ABOVE_CEILING, CLIP, NOTHING_READ, approach_current, ceiling, switch_looks_elsewhere
from harness.limits.ratings import Ceiling
from harness.record.journal import RecordWriter
from harness.record.recorded_questions import AGAIN, GO_ON, LEAVE_OUT, LOOK_AT_THE_SWITCH, SECONDARY, STOP, decision
from harness.run.bench_options import with_bench
from harness.run.control import Abandoned, Control
from harness.run.pair_reader import PairReader, PairReading
from harness.run.point_acquisition import PointTaker
from harness.run.resumption import GoingOn
from harness.run.time_on import OnTooLong
from harness.station.station import Station
from harness.steps import DIRECTIONS, Apply, Observe, Options, PointReading, Procedure, Release, Select, Step, Wait
from instruments.operator.person import NOTHING_BEFORE, Overdue, UndoLast
from instruments.reading import Identity

NOTHING_TO_APPROACH_WITH = "the shelf has no load small enough for the check reading that confirms the switch position before more current flows"

LONGEST_WAIT = 3600.0


@dataclass
class _Where:
    """The selected range and what is known of it so far; currents in amperes."""

    range: Range | None = None
    nominal: float = 0.0
    approached: bool = False
    observed_turns: float = 0.0
    ceiling: Ceiling | None = None
    refused: str = ""
    silent: str = ""
    tried_at: float = 0.0
    taken: int = 0
    taken_before: int = 0


class Runner:
    """Performs steps. `finished` holds the points an earlier part of the run has completed, by their number, `waited` its waits."""

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
        finished: Mapping[int, PointReading] | None = None,
        waited: Collection[int] = (),
    ) -> None:
        self._device, self._bench, self._station = device, bench, station
        self._writer, self._clock, self._stop, self._progress = writer, clock, stop, progress
        self._control = Control(device, bench, station, identities, writer, clock, stop, progress)
        self._past = GoingOn(finished or {}, waited)
        self._wanted_power_factor: float | None = None
        self._where = _Where()
        self._point = 0
        self._silent_ranges = 0
        self._told = ""
        self._names: set[str] = set()
        station.person.record_in(writer)
        self._pairs = PairReader(device, bench, station, clock, stop, writer.time_zero)
        self._taker = PointTaker(
            device, bench, station, self._control, self._pairs, writer=writer, clock=clock, stop=stop, progress=progress
        )

    def run(self, procedure: Procedure, options: Options) -> None:
        """Perform every step of `procedure`. Raises Stopped, Abandoned, LoadStaysOn or InstrumentError."""
        steps = procedure.steps(self._device, with_bench(options, self._bench, self._station.load))
        self._note_environment()
        self._control.redoing("range of the meter in the secondary", lambda _: self._pairs.arrange())
        if self._station.load.takes_power_factor(1.0):
            # What an earlier run left set would be in every reading of this one.
            self._control.set_power_factor(1.0)
        answer: PointReading | None = None
        while True:
            self._stop.check()
            try:
                step = steps.send(answer)
            except StopIteration:
                return
            except Exception as failure:
                # A ValueError is how a procedure says what it misses; anything else is its defect.
                said = failure if isinstance(failure, ValueError) else f"{type(failure).__name__}: {failure}"
                raise Abandoned(f"procedure {procedure.name} failed: {said}") from failure
            self._check(step)
            answer = self._perform(step)

    def _note_environment(self) -> None:
        sensor = self._station.environment
        if sensor is None:
            return
        readings = self._control.redoing("reading the conditions", lambda _: sensor.read())
        self._writer.write(
            "environment",
            **{name: reading.value for name, reading in readings.items()},
            raw={name: reading.raw for name, reading in readings.items()},
        )

    def pause(self, seconds: float) -> None:
        """Wait on the run's clock, whether a stop was asked for or not."""
        with self._stop.activity.bounded(seconds, "a pause before trying again"):
            self._clock.sleep(seconds)

    def verify_dead(self) -> str:
        """See with the reference that nothing flows; why it could not be asked, empty when it was seen."""
        return self._control.verify_dead()

    def _check(self, step: Step) -> None:
        """Refuse what no procedure may ask for. Raises Abandoned."""
        match step:
            case Select(range=rng) if rng in self._device.ranges:
                return
            case Apply(current=current, power_factor=asked) if (
                isinstance(current, int | float)
                and 0 < current < float("inf")
                and (asked is None or 0 < abs(asked) <= 1)
            ):
                return
            case Observe(point=point, count=count, direction=direction) if (
                point not in self._names and count >= 1 and direction in DIRECTIONS
            ):
                if direction == "check" and self._station.check_standard is None:
                    raise Abandoned(f"{point}: the bench file names no check standard ([check_standard] and roles)")
                self._names.add(point)
                return
            case Wait(seconds=seconds) if 0 < seconds <= LONGEST_WAIT:
                return
            case Release():
                return
        raise Abandoned(
            f"the procedure asks for {step!r}: expected a range of the device file, a current above zero at a power factor "
            f"of -1 to 1 but not 0, a wait of at most {LONGEST_WAIT:g} s, "
            f"or a point with a name of its own, at least one reading and a direction of {', '.join(DIRECTIONS)}"
        )

    def _perform(self, step: Step) -> PointReading | None:
        if self._past.on and not isinstance(step, Observe):
            self._past.pass_over(step)
            return None
        try:
            return self._do(step)
        except (OnTooLong, Overdue):
            self._cut()
            if isinstance(step, Apply) and not self._given_up(f"bringing on {format_quantity(step.current, 'A')}"):
                return self._perform(step)
            return None

    def _cut(self) -> None:
        """Take the load off, and read nothing more at its current."""
        self._where.refused = self._control.longest_on
        self._control.release()

    def _do(self, step: Step) -> PointReading | None:
        match step:
            case Select(range=rng):
                self._select(rng)
            case Apply(current=current, power_factor=asked):
                self._wanted_power_factor = asked if asked is not None else self._wanted_power_factor
                self._apply(current)
            case Wait(seconds=seconds):
                self._wait(seconds)
            case Release():
                self._control.release()
            case Observe():
                return self._observe(step)
        return None

    def _wait(self, seconds: float) -> None:
        number, self._past.waits = self._past.waits, self._past.waits + 1
        try:
            self._control.check_on_time(seconds)
        except OnTooLong as over:
            self._writer.write("wait", wait=number, seconds=seconds, current=self._control.current, cut=str(over))
            raise
        self._progress.doing(f"waiting {seconds:g} s")
        self._stop.pause(self._clock, seconds)
        self._writer.write("wait", wait=number, seconds=seconds, current=self._control.current)

    def _observe(self, step: Observe) -> PointReading:
        number, self._point = self._point, self._point + 1
        if self._past.on:
            if (found := self._past.point(number)) is not None:
                self._progress.finished_point(number, step.point, None, None)
                return found
            self._wanted_power_factor = self._past.power_factor
            for left in self._past.to_do():
                self._perform(left)
        rng = self._selected()
        if self._where.refused and step.direction != "zero":
            return self._left_out(number, step, rng)
        self._progress.doing(f"reading {step.point}")
        cut = False
        while True:
            try:
                if cut:
                    limit = ceiling(self._device, self._bench, rng, self._where.observed_turns)
                    self._control.drive(self._where.nominal, limit.current)
                reading = self._control.redoing(
                    step.point, lambda attempt: self._taker.take(number, step, rng, self._where.nominal, attempt)
                )
                break
            except (OnTooLong, Overdue):
                self._cut()
                if step.direction == "hold" or self._given_up(step.point):
                    return self._left_out(number, step, rng)
                self._where.refused, cut = "", True
        self._where.taken += 1
        if step.direction in ("zero", "search", "check"):
            self._progress.finished_point(number, step.point, None, None)
        else:
            ratio = reading.indicated_current / reading.reference_current
            self._where.observed_turns = ratio * rng.primary_turns
            self._progress.finished_point(
                number,
                step.point,
                ratio - 1,
                claimed_limit(self._device, rng, reading.reference_current),
            )
        return reading

    def _left_out(self, number: int, step: Observe, rng: Range) -> PointReading:
        reason = self._where.refused
        self._writer.write(
            "skip", point=number, name=step.point, range=rng.name, direction=step.direction, reason=reason
        )
        if reason != self._told:
            self._progress.note(f"{step.point} left out: {reason}")
            self._told = reason
        return PointReading(step.point, 0.0, 0.0, 0, skipped=reason)

    def _given_up(self, what: str) -> bool:
        """Whether the person gives up what took longer than its load may be on."""
        text = (
            f"{self._where.refused}, counted from the question to switch it on, and {what} is not finished. "
            "Let the load cool down before it is taken anew."
        )
        return decision(self._station.person, self._stop, text, [AGAIN, STOP, LEAVE_OUT]) == LEAVE_OUT

    def _select(self, rng: Range) -> None:
        self._control.release()
        self._progress.doing(f"selecting range {rng.name}")
        answer = self._control.redoing(f"selecting {rng.name}", lambda _: self._station.switch.select(rng.name))
        self._where = _Where(range=rng)
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
        if self._wanted_power_factor is not None:
            self._control.set_power_factor(self._wanted_power_factor)
        if not self._where.approached:
            self._approach(rng)
        if self._where.silent and (self._where.taken > self._where.taken_before or current > self._where.tried_at):
            self._where.refused = self._where.silent
            if self._control.current:
                self._control.release()
            return
        limit = ceiling(self._device, self._bench, rng, self._where.observed_turns)
        if self._where.ceiling is None or abs(limit.current - self._where.ceiling.current) > CLIP * limit.current:
            self._writer.write(
                "ceiling",
                range=rng.name,
                ceiling=limit.current,
                ceiling_set_by=limit.set_by,
                observed_turns=self._where.observed_turns,
            )
            self._where.ceiling = limit
        if current > limit.current * (1 + CLIP):
            self._where.refused = (
                f"{format_quantity(current, 'A')} {ABOVE_CEILING} {format_quantity(limit.current, 'A')}, "
                f"set by {limit.set_by}"
            )
            return
        self._where.refused = ""
        self._where.nominal = current
        self._control.drive(current if self._station.load.by_person else min(current, limit.current), limit.current)

    def _approach(self, rng: Range) -> None:
        """Try a newly selected range at a current that is safe wherever the switch may really stand."""
        # Not less than that, even when less was asked for: a search gone on with in its middle asks for what does not read.
        current = approach_current(self._device, self._bench, rng)
        if not current:
            raise Abandoned(f"range {rng.name}: {NOTHING_TO_APPROACH_WITH}")
        while True:
            self._progress.doing(f"approaching {rng.name} at {format_quantity(current, 'A')}")
            self._where.nominal = self._where.tried_at = current
            self._control.drive(current, ceiling(self._device, self._bench, rng).current)
            turns = self._control.redoing(f"approach of {rng.name}", lambda _: self._turns_seen(rng))
            self._where.approached, self._where.observed_turns = True, turns
            if turns <= 0:
                if self._goes_on_without_a_reading(rng, current):
                    return
            elif (elsewhere := switch_looks_elsewhere(self._device, rng, turns)) is None:
                return
            else:
                text = (
                    f"Range {rng.name} reads as {turns:.2f} turns, expected {rng.primary_turns}. "
                    f"The readings fit position {elsewhere.name}."
                )
                used = f"{text} The maximum test current now uses the turns measured."
                if self._look_at_the_switch(used, [AGAIN, GO_ON, STOP]):
                    return
            self._select(rng)

    def _goes_on_without_a_reading(self, rng: Range, current: float) -> bool:
        """Whether `rng` is taken as one that reads nothing: one point as evidence, since more might drive an open secondary."""
        silent = f"{NOTHING_READ} {format_quantity(current, 'A')}"
        first = self._silent_ranges == 0
        if self._station.switch.by_person and not self._look_at_the_switch(
            f"{rng.name}: {silent}. Is the switch in position {rng.name}?",
            [AGAIN, STOP, GO_ON] if first else [STOP, AGAIN, GO_ON],
        ):
            return False
        self._where.taken_before = self._where.taken
        self._where.silent = f"{silent}: no turn through the core, a blown secondary fuse or an open secondary"
        self._progress.note(f"{rng.name}: {self._where.silent}")
        self._silent_ranges += 1
        if self._silent_ranges == 2:
            self._control.release()
            decision(self._station.person, self._stop, SECONDARY, [STOP, GO_ON])
        return True

    def _look_at_the_switch(self, text: str, options: Sequence[str]) -> bool:
        """Whether the person goes on after a look at the switch, with the load off: they may turn it at once."""
        self._control.release()
        self._progress.note(text)
        return decision(self._station.person, self._stop, f"{text}\n  {LOOK_AT_THE_SWITCH}", options) == GO_ON

    def _turns_seen(self, rng: Range) -> float:
        self._control.steady()
        pair = self._first_pair(rng)
        self._control.check_plausible(pair)
        reference = pair.reference.value * self._bench.reference_path.factor
        turns = rng.primary_turns * pair.displayed.value * rng.display_factor / reference
        self._writer.write("approach", range=rng.name, turns=turns, **pair.as_line)
        return turns

    def _first_pair(self, rng: Range) -> PairReading:
        if self._pairs.by_hand:
            self._progress.note(f"Check reading on {rng.name}: one reading of each, to check the switch position.")
        while True:
            try:
                return self._pairs.read(rng, self._control.current)
            except UndoLast:
                self._progress.note(NOTHING_BEFORE)

    def _selected(self) -> Range:
        if self._where.range is None:
            raise Abandoned("the procedure drives a current or takes a point before it selects a range")
        return self._where.range
