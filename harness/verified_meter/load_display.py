"""The display of a verified meter while a load is measured: read by a person, or by wire."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol, TypeVar

from harness.core.errors import Abandoned
from harness.results import DeviceSummary, RangeResult
from instruments.drivers.roles import Meter
from instruments.errors import InstrumentError
from instruments.operator.person import Person
from instruments.operator.plausibility import Question

WATCHED = 10.0
"""Seconds for which a load is watched by wire before a range of more turns is chosen (a judgement)."""

LARGEST = "the largest current while you watch it"

_Read = TypeVar("_Read")


class LoadDisplay(Protocol):
    """What is shown, in SI units before the display factor. What cannot be read raises Abandoned."""

    def watched(self, rng: RangeResult) -> Iterator[float]:
        """Currents while the load is watched on `rng`, so that its largest is among them. Raises UndoLast."""

    def current(self, rng: RangeResult, what: str) -> float:
        """A current without its sign. Raises UndoLast."""

    def reads(self, quantity: str) -> bool:
        """Whether `power` or `energy` can be read."""

    def power(self, rng: RangeResult, what: str) -> float:
        """Raises UndoLast."""

    def energy(self, what: str) -> float:
        """The energy register, in joules. Raises UndoLast."""


def withstood_by(rng: RangeResult) -> float:
    """The most amperes that may flow on `rng`."""
    return min(rng.maximum_current, rng.ceiling or rng.maximum_current)


@dataclass(frozen=True)
class TypedDisplay:
    """Read and typed by the person who plugs `load` in."""

    device: DeviceSummary
    person: Person
    load: str

    def watched(self, rng: RangeResult) -> Iterator[float]:
        yield self.current(rng, LARGEST)

    def current(self, rng: RangeResult, what: str) -> float:
        question = Question(
            f"  the meter shows on {rng.name}, {what}",
            "meter",
            self.device.resolution,
            largest=withstood_by(rng) / rng.display_factor,
            limit=f"range {rng.name} withstands. If it is right, switch {self.load} off and unplug it now, then press Ctrl-C. If not",
        )
        return abs(self.person.read_value(question)[0])

    def reads(self, quantity: str) -> bool:
        return quantity == "power" or self.device.energy_resolution is not None

    def power(self, rng: RangeResult, what: str) -> float:
        step = self.device.power_resolution or 1e-6
        return self.person.read_value(
            Question(f"  the meter shows on {rng.name}, power, {what}", "meter power", step, unit="W")
        )[0]

    def energy(self, what: str) -> float:
        step = self.device.energy_resolution or 1e-6
        return self.person.read_value(
            Question(f"  the energy register of the meter shows, {what}", "meter energy", step, unit="J")
        )[0]


@dataclass(frozen=True)
class WiredDisplay:
    """Read over the link of `meter`, identified by `serial`, every `interval` seconds; `pause` waits so long, and is where a stop is honoured."""

    meter: Meter
    serial: str
    interval: float
    pause: Callable[[float], None]

    def watched(self, rng: RangeResult) -> Iterator[float]:
        for _ in range(max(2, round(WATCHED / self.interval))):
            yield self.current(rng, LARGEST)

    def current(self, rng: RangeResult, what: str) -> float:
        self.pause(self.interval)
        return abs(self._read(lambda: self.meter.read(None).value))

    def reads(self, quantity: str) -> bool:
        return self.meter.can_read_beside_current(quantity)

    def power(self, rng: RangeResult, what: str) -> float:
        return self._beside("power")

    def energy(self, what: str) -> float:
        return self._beside("energy")

    def _beside(self, quantity: str) -> float:
        return self._read(lambda: self.meter.read_beside([quantity])[quantity].value)

    def _read(self, read: Callable[[], _Read]) -> _Read:
        """Once more on a fresh link where it failed: what arrives late on the old one is believed no more."""
        try:
            return read()
        except InstrumentError:
            pass
        try:
            self.meter.open()
            if (answers := self.meter.identify().serial) != self.serial:
                raise Abandoned(f"{self.meter.name}: serial {answers!r} answers in place of {self.serial!r}")
            self.meter.start()
            return read()
        except InstrumentError as failure:
            raise Abandoned(str(failure)) from failure
