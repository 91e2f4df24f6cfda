"""Paired readings of reference and display, in one of three orders:

- display over SCPI, or check standard over a link: the reference measures while it answers, and is read after it (both of one address: display first);
- display in registers: the reference is read first, the registers after it, while the reference may measure for the next pair;
- a person types one or both: what a link reads is read before and after, and its mean is paired; of both typed, the reference comes first.
"""

import statistics
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from harness.core.outliers import odd_one
from harness.files.device import Range
from harness.run.auxiliary_readings import AuxiliaryReader
from harness.run.expected_power import Applied
from harness.run.run_context import RunContext
from harness.run.undoable_entry import Entries, Entry
from instruments.drivers.over_links import RegisterMeter, ScpiMeter, ScpiReference
from instruments.drivers.roles import Meter
from instruments.errors import ReplyError
from instruments.operator.person import UndoLast
from instruments.reading import Reading

TRIES_AT_A_PAIR = 5
"""Consecutive pairs that may be too far apart in time before the point is repeated."""


INTERVALS_AFTER_REFERENCE = 3
"""Display intervals from a reading of the reference to that of registers, at most: two in which the display catches up, and one to be refreshed."""

BEFORE = "before"
"""Key of a reading taken over a link before a person types the other of a pair."""

AHEAD = "ahead"
"""Key of a reading that the reference made while the display was asked: it may be that of the next pair."""

_OF_THE_PAIR = ("reference", "displayed", BEFORE, AHEAD)


class PairReading(NamedTuple):
    """One reading of each; `time_zero` is the start of the run, on the clock of the readings' times.

    `also` holds the readings beside them, by the names of `ReadingPair.also`, in SI units, `ahead` what the reference read meanwhile.
    """

    reference: Reading
    displayed: Reading
    time_zero: float
    also: Mapping[str, Reading] = {}
    ahead: Reading | None = None

    @property
    def as_line(self) -> dict[str, Any]:
        """The pair as recorded, times counted from the start of the run."""
        line: dict[str, Any] = {
            "reference": _as_line(self.reference, self.time_zero),
            "displayed": _as_line(self.displayed, self.time_zero),
        }
        if self.also:
            line["also"] = {name: _as_line(reading, self.time_zero) for name, reading in self.also.items()}
        return line


def odd_reading(pairs: Sequence[PairReading], reference_step: float, displayed_step: float | None) -> str:
    """Which reading is an outlier of its point by `odd_one`; empty when they agree. Without `displayed_step` the display is not tested."""
    read = [("reference", [p.reference.value for p in pairs], reference_step)]
    if displayed_step is not None:
        read.append(("device", [p.displayed.value for p in pairs], displayed_step))
    for what, values, step in read:
        odd = odd_one(values, step)
        if odd is not None:
            others = statistics.median(values[:odd] + values[odd + 1 :])
            return f"{what} read {values[odd]:g} once and {others:g} otherwise"
    return ""


class PairReader:
    """Reads pairs; no two of them share one refresh of the device's display."""

    def __init__(self, run: RunContext) -> None:
        self._run, self._zero = run, run.writer.time_zero
        self._beside = AuxiliaryReader(run)
        self._last_start = float("-inf")

    def see_anew(self) -> None:
        """Let two display intervals pass before the display is read: what it shows may be of the state before."""
        interval = self._run.device.display.refresh_interval
        if self.by_hand:
            self._run.pause(2 * interval)
        else:
            self._last_start = self._run.clock.now() + interval

    def entries(self, rng: Range, applied: Applied, power: bool, before: Reading | None, *, last: bool) -> Entries:
        """Entries of one pair and the readings beside it; `pair` makes the pair from them. `before` as in `read`.

        Unless it is the `last` of its point, or others are read beside it, the reference of the next may be read ahead.
        """
        beside = self._beside.entries(power, applied)
        # What a person takes back is read anew with all that belongs to it.
        before = None if any(entry.typed for entry in beside) else before
        return Entries([*self._currents(rng, applied.current, before, alone=last or bool(beside)), *beside])

    def check_entries(self, current: float) -> Entries:
        """Entries of one pair of the reference and the check standard."""
        standard, reference = self._run.station.check_standard, self._run.station.reference
        assert standard is not None
        if standard.by_person or reference.by_person:
            expected = current / self._run.bench.reference_path.factor
            return Entries(
                [
                    Entry(lambda _: {"reference": reference.read(expected)}, reference.by_person),
                    Entry(lambda _: {"displayed": standard.read(current)}, standard.by_person),
                ]
            )
        return Entries([Entry(lambda _: self._overlapped(standard))])

    def read(self, rng: Range, current: float, before: Reading | None = None) -> PairReading:
        """One pair, which a person may undo. Raises LinkError or ReplyError; UndoLast where there is nothing to take back.

        `before`: the reference's reading just made, which is the pair's where the display is read after the reference.
        """
        return self.finished(Entries(self._currents(rng, current, before, alone=True)))

    def finished(self, entries: Entries) -> PairReading:
        """The pair that `entries` read, which a person may undo. Raises as `read` does, and Overdriven."""
        while True:
            self._run.stop.check()
            try:
                return self.pair(entries.finish())
            except UndoLast:
                if not entries.take_back():
                    raise

    def pair(self, found: Mapping[str, Reading]) -> PairReading:
        also = {name: reading for name, reading in found.items() if name not in _OF_THE_PAIR}
        return PairReading(found["reference"], found["displayed"], self._zero, also, found.get(AHEAD))

    def taken_back(self, found: Mapping[str, Reading]) -> dict[str, Any]:
        return {name: _as_line(reading, self._zero) for name, reading in found.items()}

    def _currents(self, rng: Range, current: float, before: Reading | None, *, alone: bool) -> list[Entry]:
        if self.by_hand:
            return self._by_hand(rng, current)
        return [Entry(lambda _: self._over_links(before, alone))]

    def _over_links(self, before: Reading | None, alone: bool) -> dict[str, Reading]:
        """Both readings over links. Raises LinkError or ReplyError, also when they cannot be had soon after one another."""
        interval, meter = self._run.device.display.refresh_interval, self._run.station.meter
        after_reference = isinstance(meter, RegisterMeter)
        longest = interval * (INTERVALS_AFTER_REFERENCE if after_reference else 1)
        for _ in range(TRIES_AT_A_PAIR):
            if after_reference:
                found, before = self._after_reference(meter, before, alone), None
            else:
                self._await_refresh()
                found = self._overlapped(meter)
            if _apart(found["reference"], found["displayed"]) <= longest:
                return found
        raise ReplyError(
            f"readings of reference and meter under test came more than {longest:g} s apart, {TRIES_AT_A_PAIR} times in a row",
            instrument=self._run.station.meter.name,
            address=self._run.station.meter.address,
        )

    def _await_refresh(self) -> None:
        self._run.pause(self._last_start + self._run.device.display.refresh_interval - self._run.clock.now())
        self._last_start = self._run.clock.now()

    def _after_reference(self, meter: Meter, before: Reading | None, alone: bool) -> dict[str, Reading]:
        """The reference's reading, and what registers hold after it; the reference measures on meanwhile unless the pair is `alone`.

        They hold what the display was refreshed with up to an interval ago. Which is asked when hangs on no time, so that an instrument can
        be played by a transcript, which takes none.
        """
        if before is None:
            before = self._run.station.reference.read()
        self._await_refresh()
        if alone:
            return {"reference": before, "displayed": meter.read(None)}
        found = self._overlapped(meter)
        return {"reference": before, "displayed": found["displayed"], AHEAD: found["reference"]}

    def _overlapped(self, meter: Meter) -> dict[str, Reading]:
        """Both readings: the reference measures while the meter answers, and is read after it."""
        reference = self._run.station.reference
        assert isinstance(reference, ScpiReference)
        if meter.address == reference.address:
            # Two of one address may have one queue of replies.
            return {"displayed": meter.read(None), "reference": reference.read()}
        triggered = [i for i in (meter, reference) if isinstance(i, ScpiMeter | ScpiReference) and i.armable]
        # All stand ready before any starts, so that they measure the same stretch of time.
        for instrument in triggered:
            instrument.arm()
        for instrument in triggered:
            instrument.fire()
        with reference.measuring(reference.measures):
            displayed = meter.fetch() if isinstance(meter, ScpiMeter) and meter.armable else meter.read(None)
            return {"reference": reference.fetch(), "displayed": displayed}

    @property
    def by_hand(self) -> bool:
        """Whether a person reads one of the two, or both."""
        return self._run.station.meter.by_person or self._run.station.reference.by_person

    def _by_hand(self, rng: Range, current: float) -> list[Entry]:
        """Entries with a typed reading: a reading over a link is taken before and after it, and their mean is paired with it."""
        reference, meter, factor = (
            self._run.station.reference,
            self._run.station.meter,
            self._run.bench.reference_path.factor,
        )

        def shown(found: Mapping[str, Reading]) -> dict[str, Reading]:
            seen = found["reference"] if reference.by_person else found[BEFORE]
            flowing = seen.value * factor if current or reference.by_person else 0.0
            return {"displayed": meter.read(flowing / rng.display_factor)}

        def around(name: str, read: Callable[[], Reading], typed: Entry) -> list[Entry]:
            after = Entry(lambda found: {name: _between(found[BEFORE], read())})
            return [Entry(lambda _: {BEFORE: read()}), typed, after]

        off_the_meter = Entry(shown, typed=True)
        if not reference.by_person:
            return around("reference", reference.read, off_the_meter)
        off_the_reference = Entry(lambda _: {"reference": reference.read(current / factor)}, typed=True)
        if not meter.by_person:
            return around("displayed", lambda: meter.read(None), off_the_reference)
        return [off_the_reference, off_the_meter]


def _between(before: Reading, after: Reading) -> Reading:
    """The mean of two readings, for the time between them."""
    mean = (before.value + after.value) / 2
    return Reading(mean, before.unit, f"{before.raw} ... {after.raw}", before.started, after.finished)


def _apart(reference: Reading, displayed: Reading) -> float:
    """Seconds from the end of the reference's reading to the display; else between both middles.

    A reference's reply that waited for the meter's may be of when it was asked.
    """
    middle = _middle(displayed)
    if reference.finished <= displayed.started:
        return middle - reference.finished
    return max(abs(_middle(reference) - middle), middle - reference.started)


def _middle(reading: Reading) -> float:
    return (reading.started + reading.finished) / 2


def _as_line(reading: Reading, time_zero: float) -> dict[str, Any]:
    return {
        "value": reading.value,
        "unit": reading.unit,
        "raw": reading.raw,
        "started": round(reading.started - time_zero, 6),
        "finished": round(reading.finished - time_zero, 6),
    }
