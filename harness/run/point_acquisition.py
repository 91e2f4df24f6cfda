"""Acquisition of one point: settled anew, every pair read, recorded when all of it is good."""

from collections.abc import Sequence

from harness.files.device import Range
from harness.record.history import point_reading
from harness.run.load_control import LoadControl
from harness.run.pair_reader import PairReader, PairReading, odd_reading
from harness.run.run_context import RunContext
from harness.run.time_on import TO_BEGIN_A_PAIR
from harness.run.undoable_entry import Entries
from harness.steps import Observe, PointReading
from instruments.errors import InstrumentError, ReplyError
from instruments.operator.person import NOTHING_BEFORE, Overdue, UndoLast
from instruments.reading import Reading

BELIEVED_AFTER = 2
"""Attempts at a point repeated because its readings do not agree; after that they are taken as they are."""


class PointAcquisition:
    """Reads the pairs of a point, by instruments or by a person, and records the point."""

    def __init__(self, run: RunContext, control: LoadControl, pairs: PairReader) -> None:
        self._run, self._control, self._pairs = run, control, pairs

    def take(self, number: int, step: Observe, rng: Range, nominal: float, attempt: int) -> PointReading:
        """Take one whole point: settled anew, every pair read, the error queue empty; only then is it finished."""
        if not self._control.state.current:
            self._pairs.see_anew()
        scale = self._control.reference.steady()
        if self._pairs.by_hand:
            pairs = self._typed_pairs(number, step, rng, scale, attempt)
        else:
            pairs = []
            while len(pairs) < step.count:
                self._run.stop.check()
                self._control.time_on.check()
                before = pairs[-1].ahead if pairs else self._control.reference.settled
                pair = self._read_pair(step, rng, before, last=len(pairs) + 1 == step.count)
                self._control.reference.check_plausible(pair)
                self._run.writer.write("reading", point=number, attempt=attempt, pair=len(pairs), **pair.as_line)
                pairs.append(pair)
            self._check_agreement(step, pairs, scale, attempt)
        self._run.station.reference.check()
        # Had the run not responded meanwhile, the last reading could be of a load that the guard was switching off.
        self._run.stop.check()
        self._run.writer.write(
            "point",
            point=number,
            name=step.point,
            attempt=attempt,
            range=rng.name,
            direction=step.direction,
            nominal_current=nominal,
            reference_scale=scale,
            count=len(pairs),
            **({} if self._control.state.power_factor is None else {"power_factor": self._control.state.power_factor}),
            **({"power": True} if step.power else {}),
        )
        return point_reading(step.point, rng, self._run.bench, [p.as_line for p in pairs])

    def _entries(self, step: Observe, rng: Range, before: Reading | None = None, *, last: bool = True) -> Entries:
        if step.direction == "check":
            return self._pairs.check_entries(self._control.state.current)
        return self._pairs.entries(rng, self._control.state.applied, step.power, before, last=last)

    def _read_pair(self, step: Observe, rng: Range, before: Reading | None, *, last: bool) -> PairReading:
        entries = self._entries(step, rng, before, last=last)
        # The pair before is written down already.
        return self._run.until_read(lambda: self._pairs.finished(entries))

    def _check_agreement(self, step: Observe, pairs: Sequence[PairReading], scale: float, attempt: int) -> None:
        """Raise ReplyError for an outlier. One that recurs is how the device reads, and is evaluated so."""
        odd = self._odd_one(step, pairs, scale)
        if odd and attempt <= BELIEVED_AFTER:
            name = self._run.station.reference.name if odd.startswith("reference") else self._run.station.meter.name
            raise ReplyError(odd, instrument=name, address=self._run.station.instruments[name].address)

    def _odd_one(self, step: Observe, pairs: Sequence[PairReading], scale: float) -> str:
        """Which reading is an outlier of its point; empty when they agree."""
        # In a search for the display threshold a display may read now and then; a check standard has steps of its own.
        shows = None if step.direction in ("search", "check") else self._run.device.display.resolution
        accuracy = next(r for r in self._run.bench.entry("reference").ranges if r.full_scale == scale)
        return odd_reading(pairs, accuracy.resolution, shows)

    def _typed_pairs(self, number: int, step: Observe, rng: Range, scale: float, attempt: int) -> list[PairReading]:
        """Pairs of a point that a person reads, recorded once the person has accepted them. Until then the person may undo them value by value."""
        begun = [self._entries(step, rng)]
        while True:
            self._run.stop.check()
            try:
                self._control.time_on.check(TO_BEGIN_A_PAIR)
                if not begun[-1].complete:
                    self._run.progress.note(
                        f"{step.point}, reading {len(begun)} of {step.count} (type = for the same value, undo to go back one value)"
                    )
                    self._control.reference.check_plausible(self._pairs.pair(begun[-1].finish()))
                if len(begun) < step.count:
                    begun.append(self._entries(step, rng))
                elif self._let_stand(step, begun, scale):
                    break
                else:
                    raise UndoLast
            except (InstrumentError, Overdue):
                # The attempt is lost, and its typed values are kept like the readings of any attempt cut short.
                self._write_down(number, attempt, [self._pairs.pair(t.finish()) for t in begun if t.complete])
                raise
            except UndoLast:
                if len(begun) > 1 and not begun[-1].typed:
                    begun.pop()
                forgotten = self._pairs.taken_back(begun[-1].take_back())
                if forgotten:
                    self._run.writer.write("undo", point=number, attempt=attempt, pair=len(begun) - 1, **forgotten)
                else:
                    self._run.progress.note(NOTHING_BEFORE)
        pairs = [self._pairs.pair(entries.finish()) for entries in begun]
        self._write_down(number, attempt, pairs)
        return pairs

    def _write_down(self, number: int, attempt: int, pairs: Sequence[PairReading]) -> None:
        for count, pair in enumerate(pairs):
            self._run.writer.write("reading", point=number, attempt=attempt, pair=count, **pair.as_line)

    def _let_stand(self, step: Observe, read: Sequence[Entries], scale: float) -> bool:
        """Whether the person accepts the readings, after being told of any outlier. Raises Stopped."""
        pairs = [self._pairs.pair(entries.finish()) for entries in read]
        shown = [[r.raw for r in (p.reference, p.displayed, *p.also.values())] for p in pairs]
        odd = self._odd_one(step, pairs, scale)
        heads = ["reference", "meter under test", *(name.replace("_", " ") for name in pairs[0].also)]
        rows = "\n".join(
            "  " + "".join(f"{text:>{max(len(head), 9) + 2}}" for text, head in zip(row, heads, strict=True))
            for row in (heads, *shown)
        )
        doubt = f"  The {odd}. Was it mistyped, or was it really displayed?\n" if odd else ""
        text = f"  {step.point}, values typed:\n{rows}\n{doubt}  Keep this point, or undo the last value?"
        return self._run.station.person.choose(text, ["undo", "keep"], guarding=False) == "keep"
