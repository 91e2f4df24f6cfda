"""The runner: performs the steps of a procedure on a station, within the limits, and records all that happens.

`safety.execution` leaves the bench safe on every way out.
"""

from collections.abc import Collection, Mapping

from harness.claims.limits_of_error import claimed_limit
from harness.core.errors import Abandoned
from harness.core.quantities import format_quantity
from harness.current_limits.maximum_test_current import turns_for_limits
from harness.record.recorded_questions import AGAIN, LEAVE_OUT, STOP, decision
from harness.run.auxiliary_readings import secondary_scale
from harness.run.bench_options import with_bench
from harness.run.load_control import LoadControl
from harness.run.pair_reader import PairReader
from harness.run.point_acquisition import PointAcquisition
from harness.run.resumption import Resumption
from harness.run.run_context import RunContext
from harness.run.selected_range import SelectedRange
from harness.run.step_rules import broken_by_current, broken_rule
from harness.steps import Apply, Observe, Options, PointReading, Procedure, Release, Select, Step, Wait
from instruments.operator.person import Overdue


class Runner:
    """Performs steps. `finished` holds the points completed by an earlier part of the run, by number, `waited` its waits."""

    def __init__(
        self, context: RunContext, finished: Mapping[int, PointReading] | None = None, waited: Collection[int] = ()
    ) -> None:
        self.context = context
        self._control = LoadControl(context)
        self._pairs = PairReader(context)
        self._selected = SelectedRange(context, self._control, self._pairs)
        self._points = PointAcquisition(context, self._control, self._pairs)
        self._past = Resumption(finished or {}, waited)
        self._wanted_power_factor: float | None = None
        self._point = 0
        self._told = ""
        self._names: set[str] = set()
        context.station.person.record_in(context.writer)

    def run(self, procedure: Procedure, options: Options) -> None:
        """Perform every step of `procedure`. Raises Stopped, Abandoned, LoadStaysOn or InstrumentError."""
        station, bench = self.context.station, self.context.bench
        steps = procedure.steps(self.context.device, with_bench(options, self.context.device, bench, station.load))
        self._note_environment()
        if (secondary := station.secondary) is not None:
            # While the load is off: changing its range under current may open the loop.
            scale = secondary_scale(self.context.device, bench)
            self._control.links.redoing("range of the meter in the secondary", lambda _: secondary.configure(scale))
        if station.load.takes_power_factor(1.0):
            # What an earlier run left set would be in every reading of this one.
            self._control.set_power_factor(1.0)
        answer: PointReading | None = None
        while True:
            self.context.stop.check()
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
        sensor = self.context.station.environment
        if sensor is None:
            return
        readings = self._control.links.redoing("reading the conditions", lambda _: sensor.read())
        self.context.writer.write(
            "environment",
            **{name: reading.value for name, reading in readings.items()},
            raw={name: reading.raw for name, reading in readings.items()},
        )

    def pause(self, seconds: float) -> None:
        """Wait on the run's clock, whether a stop was asked for or not."""
        with self.context.stop.activity.bounded(seconds, "a pause before trying again"):
            self.context.clock.sleep(seconds)

    def verify_dead(self) -> str:
        """Verify with the reference that no current flows; why it could not be read, empty when verified."""
        return self._control.reference.verify_dead()

    def _check(self, step: Step) -> None:
        """Refuse a step that breaks a rule. Raises Abandoned."""
        if found := broken_rule(step, self.context.device.ranges, self._names):
            raise Abandoned(f"the procedure asks for {step!r}: {found}")
        if isinstance(step, Observe):
            if step.direction == "check" and self.context.station.check_standard is None:
                raise Abandoned(f"{step.point}: the bench file names no check standard ([check_standard] and roles)")
            self._names.add(step.point)

    def _perform(self, step: Step) -> PointReading | None:
        if self._past.on and not isinstance(step, Observe):
            self._past.pass_over(step)
            return None
        try:
            return self._do(step)
        except Overdue:
            self._cut()
            if isinstance(step, Apply) and not self._given_up(f"bringing on {format_quantity(step.current, 'A')}"):
                return self._perform(step)
            return None

    def _cut(self) -> None:
        """Take the load off, and read nothing more at its current."""
        self._selected.state.reason_left_out = self._control.time_on.reason
        self._control.release()

    def _do(self, step: Step) -> PointReading | None:
        match step:
            case Select(range=rng):
                self._selected.select(rng)
            case Apply(current=current, power_factor=asked):
                self._wanted_power_factor = asked if asked is not None else self._wanted_power_factor
                self._selected.apply(current, self._wanted_power_factor)
            case Wait(seconds=seconds):
                self._wait(seconds)
            case Release():
                self._control.release()
            case Observe():
                return self._observe(step)
        return None

    def _wait(self, seconds: float) -> None:
        number, self._past.waits = self._past.waits, self._past.waits + 1
        said = {"wait": number, "seconds": seconds, "current": self._control.state.current}
        self.context.progress.doing(f"waiting {seconds:g} s")
        try:
            self._control.time_on.pause(seconds)
        except Overdue as over:
            self.context.writer.write("wait", **said, cut=str(over))
            raise
        self._control.state.steady = False
        self.context.writer.write("wait", **said)

    def _observe(self, step: Observe) -> PointReading:
        number, self._point = self._point, self._point + 1
        if self._past.on:
            if (found := self._past.point(number)) is not None:
                self.context.progress.finished_point(number, step.point, None, None)
                return found
            self._wanted_power_factor = self._past.power_factor
            for left in self._past.to_do():
                self._perform(left)
        state = self._selected.state
        if state.reason_left_out and step.direction != "zero":
            return self._left_out(number, step)
        if broken := broken_by_current(step, self._control.state.current):
            raise Abandoned(f"the procedure asks for {step!r}: {broken}")
        self.context.progress.doing(f"reading {step.point}")
        reading = self._taken(number, step)
        if reading is None:
            return self._left_out(number, step)
        state.taken += 1
        if step.direction in ("zero", "search", "check"):
            self.context.progress.finished_point(number, step.point, None, None)
        else:
            ratio = reading.indicated_current / reading.reference_current
            read = ratio * state.range.primary_turns
            state.observed_turns = turns_for_limits(
                self.context.device, self.context.bench, state.nominal, read, state.observed_turns
            )
            if step.direction == "waveform":
                self.context.progress.finished_point(number, step.point, None, None)
                return reading
            limit = claimed_limit(self.context.device, state.range, reading.reference_current)
            self.context.progress.finished_point(number, step.point, ratio - 1, limit)
        return reading

    def _taken(self, number: int, step: Observe) -> PointReading | None:
        """The point, its load applied again where its time on was over; None when that ends a hold or is given up."""
        state, cut = self._selected.state, False
        while True:
            try:
                if cut:
                    self._selected.drive()
                return self._control.links.redoing(
                    step.point, lambda attempt: self._points.take(number, step, state.range, state.nominal, attempt)
                )
            except Overdue:
                self._cut()
                if step.direction == "hold" or self._given_up(step.point):
                    return None
                state.reason_left_out, cut = "", True

    def _left_out(self, number: int, step: Observe) -> PointReading:
        name, reason = self._selected.state.range.name, self._selected.state.reason_left_out
        self.context.writer.write(
            "skip", point=number, name=step.point, range=name, direction=step.direction, reason=reason
        )
        if reason != self._told:
            self.context.progress.note(f"{step.point} left out: {reason}")
            self._told = reason
        return PointReading(step.point, 0.0, 0.0, 0, skipped=reason)

    def _given_up(self, what: str) -> bool:
        """Whether the person gives up a point that took longer than its load may be on."""
        text = (
            f"{self._selected.state.reason_left_out}, counted from the question to switch it on, and {what} is not finished. "
            "Let the load cool down before it is repeated."
        )
        return decision(self.context.station.person, self.context.stop, text, [AGAIN, STOP, LEAVE_OUT]) == LEAVE_OUT
