"""Reading reference and device together."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from harness.bench import Bench
from harness.clock import Clock
from harness.device import Device, Range
from harness.station import Station
from harness.stop import StopSignal
from instruments.errors import ReplyError
from instruments.reading import Reading

APART = 5
"""How many pairs in a row may be too far apart in time before the point is redone."""


class PairReading(NamedTuple):
    """One reading of each; `time_zero` is when the run started, on the same clock as the readings' times."""

    reference: Reading
    displayed: Reading
    time_zero: float

    @property
    def as_line(self) -> dict[str, Any]:
        """As it goes into the record, times counted from the start of the run."""
        return {
            "reference": _as_line(self.reference, self.time_zero),
            "displayed": _as_line(self.displayed, self.time_zero),
        }


@dataclass
class PointPairs:
    """The pairs of one point so far."""

    pairs: list[PairReading] = field(default_factory=list)

    def add(self, pair: PairReading) -> None:
        """One more."""
        self.pairs.append(pair)

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.pairs)

    @property
    def mean_reference(self) -> float:
        """Mean of the reference readings, in the reference's unit."""
        return sum(p.reference.value for p in self.pairs) / len(self.pairs)

    @property
    def mean_displayed(self) -> float:
        """Mean of the displayed values, in the device's amperes."""
        return sum(p.displayed.value for p in self.pairs) / len(self.pairs)


class PairReader:
    """Reads pairs; no two of them share one refresh of the device's display."""

    def __init__(
        self, device: Device, bench: Bench, station: Station, clock: Clock, stop: StopSignal, time_zero: float
    ) -> None:
        self._device, self._bench, self._station, self._clock, self._stop = device, bench, station, clock, stop
        self._zero = time_zero
        self._last_start = float("-inf")

    def read(self, rng: Range, current: float) -> PairReading:
        """One pair. Raises LinkError or ReplyError; also when the two readings cannot be had within one display interval."""
        interval = self._device.display.refresh_interval
        for _ in range(APART):
            self._stop.pause(self._clock, self._last_start + interval - self._clock.now())
            self._last_start = self._clock.now()
            pair = self._bracketed(rng, current) if self._station.meter.by_person else self._overlapped()
            if self._station.meter.by_person or abs(_middle(pair.reference) - _middle(pair.displayed)) <= interval:
                return pair
        raise ReplyError(
            f"readings of reference and device came more than {interval:g} s apart, {APART} times in a row",
            instrument=self._station.meter.name,
            address=self._station.meter.address,
        )

    def _overlapped(self) -> PairReading:
        displayed, reference = self._clock.together(
            lambda: self._station.meter.read(None), self._station.reference.read
        )
        return PairReading(reference, displayed, self._zero)

    def _bracketed(self, rng: Range, current: float) -> PairReading:
        """A person needs time: the reference is read before and after, and its mean stands beside what was typed."""
        before = self._station.reference.read()
        displayed = self._station.meter.read(current / rng.display_factor if current else 0.0)
        after = self._station.reference.read()
        reference = Reading(
            (before.value + after.value) / 2,
            before.unit,
            f"{before.raw} ... {after.raw}",
            before.started,
            after.finished,
        )
        return PairReading(reference, displayed, self._zero)


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
