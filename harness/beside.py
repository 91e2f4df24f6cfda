"""What is read beside the pair of currents: power, voltage, phase, energy, and the current in the secondary."""

from __future__ import annotations

import math
from collections.abc import Callable

from harness.bench import Accuracy, Bench
from harness.clock import Clock
from harness.device import Device
from harness.errors import RatioproofError
from harness.quantities import format_quantity
from harness.station import Station
from instruments.reading import Reading

_SI = {"deg": (math.pi / 180, "rad")}
OVERDRIVEN = 1.02
"""A secondary current read this much above what the input stands is no longer the meter's own error."""


class Overdriven(RatioproofError):
    """More current was read in the secondary than the device's input stands."""


class BesideReader:
    """Knows which further quantities the instruments of a bench show, and reads them."""

    def __init__(self, device: Device, bench: Bench, station: Station, clock: Clock) -> None:
        self._station, self._clock = station, clock
        self._largest = device.transformer.maximum_secondary_current
        self._of_reference = [n for n in _reference_shows(bench) if station.reference.can_read_beside_current(n)]
        self._of_meter = [n for n in _device_shows(device) if station.meter.can_read_beside_current(n)]
        self._scale = next(
            (r.full_scale for r in _secondary_ranges(bench) if r.full_scale >= self._largest), self._largest
        )
        self._arranged = False

    def arrange(self) -> None:
        """Put the meter in the secondary on the one range it keeps: changing it under current may open the loop.

        To be called with the load off. Raises InstrumentError.
        """
        if self._station.secondary is not None and not self._arranged:
            self._station.secondary.configure(self._scale)
        self._arranged = True

    def read(self, power: bool) -> dict[str, Reading]:
        """What stands beside a pair just read, by the names of `observed.Pair.also`, in SI units.

        Raises LinkError, ReplyError, UndoLast, or Overdriven when the secondary carries more than the input stands.
        """
        station = self._station
        asked: list[tuple[str, bool, Callable[[], dict[str, Reading]]]] = []
        if power:
            asked.append(("displayed_", station.meter.by_person, lambda: station.meter.read_beside(self._of_meter)))
            asked.append(
                ("reference_", station.reference.by_person, lambda: station.reference.read_beside(self._of_reference))
            )
            voltmeter = station.voltmeter
            if voltmeter is not None:
                asked.append(("reference_", voltmeter.by_person, lambda: {"voltage": voltmeter.read()}))
        secondary = station.secondary
        if secondary is not None:
            asked.append(("secondary_", secondary.by_person, lambda: {"current": secondary.read()}))
        by_person = any(person for _, person, _ in asked)
        calls = [call for _, _, call in asked]
        found = [call() for call in calls] if by_person else self._clock.together(*calls) if calls else []
        also = {
            prefix + name: _in_si(reading)
            for (prefix, _, _), readings in zip(asked, found, strict=True)
            for name, reading in readings.items()
        }
        through = also.get("secondary_current")
        if through is not None and through.value > OVERDRIVEN * self._largest:
            raise Overdriven(
                f"{format_quantity(through.value, 'A')} flows in the secondary, more than the "
                f"{format_quantity(self._largest, 'A')} the input stands"
            )
        return also


def _secondary_ranges(bench: Bench) -> tuple[Accuracy, ...]:
    return bench.instruments[bench.roles.secondary].ranges if bench.roles.secondary is not None else ()


def _reference_shows(bench: Bench) -> list[str]:
    entry = bench.entry("reference")
    shown = ["power", "phase"] if entry.power is not None else []
    itself = bench.roles.voltage in (None, bench.roles.reference)
    return [*shown, "voltage"] if entry.voltage is not None and itself else shown


def _device_shows(device: Device) -> list[str]:
    display = device.display
    steps = {
        "power": display.power_resolution,
        "power_factor": display.power_factor_resolution,
        "energy": display.energy_resolution,
    }
    return [name for name, step in steps.items() if step is not None]


def _in_si(reading: Reading) -> Reading:
    factor, unit = _SI.get(reading.unit, (1.0, reading.unit))
    return reading._replace(value=reading.value * factor, unit=unit)
