"""The selected range: checked at a current that is safe in any switch position, then driven up to its maximum test current."""

from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.errors import Abandoned
from harness.core.quantities import format_quantity
from harness.current_limits.maximum_test_current import (
    ABOVE_MAXIMUM,
    CLIP,
    NOTHING_READ,
    approach_current,
    confirms_turns,
    maximum_test_current,
    safe_anywhere,
    switch_looks_elsewhere,
    too_large,
    turns_for_limits,
    withstood,
    withstood_anywhere,
)
from harness.current_limits.ratings import CurrentLimit
from harness.files.device import Range
from harness.record.recorded_questions import AGAIN, GO_ON, LOOK_AT_THE_SWITCH, SECONDARY, STOP, decision
from harness.run.load_control import LoadControl
from harness.run.pair_reader import PairReader, PairReading
from harness.run.run_context import RunContext

NOTHING_TO_APPROACH_WITH = "the shelf has no load small enough for the check reading that confirms the switch position before more current flows"

NO_SINE = (
    "no load that is stated to be a sine is small enough for the check reading. Others may read low, so limits go on counting with all "
    "windings in circuit"
)


@dataclass
class RangeState:
    """Knowledge of a range since it was selected; currents in amperes.

    `recorded_limit`: the maximum test current recorded last. `observed_turns`: those that limits count with, by `turns_for_limits`; None
    before the check reading. `reason_left_out`: why nothing is read at the requested current. `silent`: nothing was read at `tried_at`,
    when `taken_before` of the `taken` points had been taken.
    """

    range: Range
    recorded_limit: CurrentLimit
    nominal: float = 0.0
    observed_turns: float | None = None
    reason_left_out: str = ""
    silent: str = ""
    tried_at: float = 0.0
    taken: int = 0
    taken_before: int = 0


class SelectedRange:
    """Selects ranges, and drives the selected one to the requested current, up to its limit."""

    def __init__(self, run: RunContext, control: LoadControl, pairs: PairReader) -> None:
        self._run, self._control, self._pairs = run, control, pairs
        self._selected: RangeState | None = None
        self._silent_ranges = 0

    @property
    def state(self) -> RangeState:
        if self._selected is None:
            raise Abandoned("the procedure drives a current or takes a point before it selects a range")
        return self._selected

    @property
    def limit(self) -> CurrentLimit:
        """The maximum of a sinusoidal current by the turns observed last."""
        return self._limit_of(None)

    def _limit_of(self, load: float | None) -> CurrentLimit:
        """The maximum current of the `load` that is to be plugged in, by its current; of a sine without one."""
        state = self.state
        return maximum_test_current(self._run.device, self._run.bench, state.range, state.observed_turns, load)

    def select(self, rng: Range) -> None:
        """Move the device to `rng`, with the load off. Raises InstrumentError."""
        run = self._run
        self._control.release()
        run.progress.doing(f"selecting range {rng.name}")
        answer = self._control.links.redoing(f"selecting {rng.name}", lambda _: run.station.switch.select(rng.name))
        limit = maximum_test_current(run.device, run.bench, rng)
        self._selected = RangeState(rng, limit)
        run.writer.write(
            "step",
            step="select",
            range=rng.name,
            answer=answer,
            ceiling=limit.current,
            ceiling_set_by=limit.set_by,
        )

    def apply(self, current: float, power_factor: float | None) -> None:
        """Bring the range to `current` amperes, or give the reason in `state.reason_left_out`. Raises InstrumentError or Abandoned."""
        rng = self.state.range
        if power_factor is not None:
            self._control.set_power_factor(power_factor)
        if self.state.observed_turns is None:
            self._approach(rng)
        state = self.state
        if state.silent and (state.taken > state.taken_before or current > state.tried_at):
            state.reason_left_out = state.silent
            if self._control.state.current:
                self._control.release()
            return
        limit = self.limit
        if abs(limit.current - state.recorded_limit.current) > CLIP * limit.current:
            self._run.writer.write(
                "ceiling",
                range=rng.name,
                ceiling=limit.current,
                ceiling_set_by=limit.set_by,
                observed_turns=state.observed_turns,
            )
            state.recorded_limit = limit
        limit = self._limit_of(current)
        if current > limit.current * (1 + CLIP):
            state.reason_left_out = (
                f"{format_quantity(current, 'A')} {ABOVE_MAXIMUM} {format_quantity(limit.current, 'A')}, "
                f"set by {limit.set_by}"
            )
            return
        if never := too_large(self._run.device, self._run.bench).get(current):
            state.reason_left_out = never
            return
        state.reason_left_out, state.nominal = "", current
        self.drive()

    def drive(self) -> None:
        """Bring the range to the current asked for last, no further than its limit. Raises InstrumentError, Overdue or Abandoned."""
        state, limit = self.state, self._limit_of(self.state.nominal)
        current = state.nominal if self._run.station.load.by_person else min(state.nominal, limit.current)
        most = withstood(self._run.device, self._run.bench, state.range, state.observed_turns, current)
        self._control.drive(current, limit.current, most)

    def _approach(self, rng: Range) -> None:
        """Check a newly selected range at a current that is safe wherever the switch may really stand."""
        device, bench = self._run.device, self._run.bench
        # Not less than that, even when less was asked for: a resumed search asks for currents that do not read.
        current = approach_current(device, bench, rng)
        if not current:
            shown = format_quantity(device.display.smallest_readable_current * rng.display_factor, "A")
            between = f"{shown} to {format_quantity(safe_anywhere(device, bench), 'A')}"
            raise Abandoned(f"range {rng.name}: {NOTHING_TO_APPROACH_WITH}; put one of {between} on it")
        if self._pairs.by_hand:
            self._run.progress.note(
                f"First a check of {rng.name} at {format_quantity(current, 'A')}: one reading of each, only to see where the switch stands. "
                "No error is judged there."
            )
        while True:
            self._run.progress.doing(f"approaching {rng.name} at {format_quantity(current, 'A')}")
            state = self.state
            state.nominal = state.tried_at = current
            self._control.drive(
                current, safe_anywhere(device, bench, current), withstood_anywhere(device, bench, current)
            )
            turns = self._control.links.redoing(f"approach of {rng.name}", lambda _: self._turns_seen(rng))
            state.observed_turns = turns_for_limits(device, bench, current, turns, None)
            if not confirms_turns(bench, current):
                self._run.progress.note(f"{rng.name}: {NO_SINE}")
            if turns <= 0:
                if self._goes_on_without_a_reading(rng, current):
                    return
            elif (elsewhere := switch_looks_elsewhere(device, rng, turns)) is None:
                return
            else:
                text = (
                    f"Range {rng.name} reads as {turns:.2f} turns, expected {rng.primary_turns}. "
                    f"The readings fit position {elsewhere.name}."
                )
                used = f"{text} The maximum test current now uses the turns measured."
                if self._look_at_the_switch(used, [AGAIN, GO_ON, STOP]):
                    return
            self.select(rng)

    def _goes_on_without_a_reading(self, rng: Range, current: float) -> bool:
        """Whether `rng` is taken as one that reads nothing: one point as evidence, since more might drive an open secondary."""
        station, state = self._run.station, self.state
        silent = f"{NOTHING_READ} {format_quantity(current, 'A')}"
        first = self._silent_ranges == 0
        if station.switch.by_person and not self._look_at_the_switch(
            f"{rng.name}: {silent}. Is the switch in position {rng.name}?",
            [AGAIN, STOP, GO_ON] if first else [STOP, AGAIN, GO_ON],
        ):
            return False
        state.taken_before = state.taken
        state.silent = f"{silent}: no turn through the core, a blown secondary fuse or an open secondary"
        self._run.progress.note(f"{rng.name}: {state.silent}")
        self._silent_ranges += 1
        if self._silent_ranges == 2:
            self._control.release()
            decision(station.person, self._run.stop, SECONDARY, [STOP, GO_ON])
        return True

    def _look_at_the_switch(self, text: str, options: Sequence[str]) -> bool:
        """Whether the person continues after checking the switch, with the load off: they may turn it at once."""
        self._control.release()
        self._run.progress.note(text)
        question = f"{text}\n  {LOOK_AT_THE_SWITCH}"
        return decision(self._run.station.person, self._run.stop, question, options) == GO_ON

    def _turns_seen(self, rng: Range) -> float:
        self._control.reference.steady()
        pair = self._first_pair(rng)
        self._control.reference.check_plausible(pair)
        reference = pair.reference.value * self._run.bench.reference_path.factor
        turns = rng.primary_turns * pair.displayed.value * rng.display_factor / reference
        self._run.writer.write("approach", range=rng.name, turns=turns, **pair.as_line)
        self._control.state.steady = True
        return turns

    def _first_pair(self, rng: Range) -> PairReading:
        if self._pairs.by_hand:
            self._run.progress.note(f"Check reading on {rng.name}.")
        return self._run.until_read(
            lambda: self._pairs.read(rng, self._control.state.current, self._control.reference.settled)
        )
