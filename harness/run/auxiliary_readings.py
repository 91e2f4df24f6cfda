"""Readings beside the pair of currents: power, voltage, phase, energy, and the current in the secondary."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

from harness.core.errors import RatioproofError
from harness.core.quantities import format_quantity
from harness.files.bench import Bench
from harness.files.device import Device
from harness.run.expected_power import Applied, ExpectedPower
from harness.run.run_context import RunContext
from harness.run.undoable_entry import Entry
from instruments.drivers.roles import Meter, Reference, Voltmeter
from instruments.drivers.scpi import ScpiInstrument
from instruments.numbers import in_si
from instruments.operator.plausibility import Expected
from instruments.reading import Reading

OVERDRIVEN = 1.02
"""A secondary current this many times the input's rating is no longer the meter's own error."""


class Overdriven(RatioproofError):
    """The secondary current read exceeds the rating of the device's input."""


@dataclass(frozen=True)
class _Shows:
    """Quantities one instrument shows: their `names`, recorded behind `prefix`."""

    prefix: str
    instrument: Reference | Meter | Voltmeter
    names: Sequence[str]
    read: Callable[[Sequence[str], Expected | None], Mapping[str, Reading]]


class AuxiliaryReader:
    """Reads the further quantities that the instruments of a bench show."""

    def __init__(self, run: RunContext) -> None:
        device, bench, station = run.device, run.bench, run.station
        self._station = station
        self._expected_power = ExpectedPower(bench)
        self._largest = device.transformer.maximum_secondary_current
        self._of_reference = [n for n in _reference_shows(bench) if station.reference.can_read_beside_current(n)]
        self._frequency = ["frequency"] if bench.entry("reference").frequency is not None else []
        self._of_meter = [n for n in _device_shows(device) if station.meter.can_read_beside_current(n)]

    def entries(self, power: bool, applied: Applied) -> list[Entry]:
        """Entries for the quantities beside a pair just read, by the names of `ReadingPair.also`, in SI units.

        Where a person reads, the reference comes before the device, and the voltage before what is compared with it. An entry raises
        LinkError, ReplyError, UndoLast, or Overdriven when the secondary current exceeds the input's rating.
        """
        parts = self._parts(power, flows=applied.current > 0)
        if any(part.instrument.by_person for part in parts):
            return [entry for part in parts for entry in self._one_by_one(part, applied)]
        return [Entry(lambda _: self._together(parts))] if parts else []

    def _parts(self, power: bool, *, flows: bool) -> list[_Shows]:
        station = self._station
        voltmeter, secondary = station.voltmeter, station.secondary
        parts = []
        if power and voltmeter is not None:
            parts.append(_Shows("reference_", voltmeter, ["voltage"], lambda *_: {"voltage": voltmeter.read()}))
        reference, meter = station.reference, station.meter
        of_reference = self._of_reference if power else []
        if flows:
            # Without a current an instrument may have no frequency, and answers that it is not a number.
            of_reference = [*of_reference, *self._frequency]
        parts.append(_Shows("reference_", reference, of_reference, reference.read_beside))
        if power:
            parts.append(_Shows("displayed_", meter, self._of_meter, meter.read_beside))
        if secondary is not None:
            parts.append(_Shows("secondary_", secondary, ["current"], lambda *_: {"current": secondary.read()}))
        return [part for part in parts if part.names]

    def _one_by_one(self, part: _Shows, applied: Applied) -> list[Entry]:
        if not part.instrument.by_person:
            return [Entry(lambda _: self._named(part, part.read(part.names, None)))]

        def typed(name: str) -> Entry:
            def read(found: Mapping[str, Reading]) -> Mapping[str, Reading]:
                expected = self._expected_power.expected(part.prefix + name, found, applied)
                return self._named(part, part.read([name], expected))

            return Entry(read, typed=True)

        return [typed(name) for name in part.names]

    def _together(self, parts: Sequence[_Shows]) -> Mapping[str, Reading]:
        """All that `parts` show, by its name in the record: those over SCPI measure while the others answer."""
        found: dict[str, Reading] = {}
        addresses = [part.instrument.address for part in parts]
        with ExitStack() as measuring:
            for part in parts:
                # Two of one address may have one queue of replies.
                if isinstance(part.instrument, ScpiInstrument) and addresses.count(part.instrument.address) == 1:
                    measuring.enter_context(part.instrument.measuring(part.names[0]))
            for part in sorted(parts, key=lambda p: isinstance(p.instrument, ScpiInstrument)):
                found |= self._named(part, part.read(part.names, None))
        return found

    def _named(self, part: _Shows, readings: Mapping[str, Reading]) -> Mapping[str, Reading]:
        """The readings under their names in the record. Raises Overdriven."""
        named = {part.prefix + name: _in_si(reading) for name, reading in readings.items()}
        through = named.get("secondary_current")
        if through is not None and through.value > OVERDRIVEN * self._largest:
            raise Overdriven(
                f"{format_quantity(through.value, 'A')} flows in the secondary, more than the "
                f"{format_quantity(self._largest, 'A')} for which the input is rated"
            )
        return named


def secondary_scale(device: Device, bench: Bench) -> float:
    """Full scale in amperes of the one range that the meter in the secondary keeps: the smallest that takes the input's rating."""
    largest, name = device.transformer.maximum_secondary_current, bench.roles.secondary
    ranges = bench.instruments[name].ranges if name is not None else ()
    return next((r.full_scale for r in ranges if r.full_scale >= largest), largest)


def _reference_shows(bench: Bench) -> list[str]:
    entry = bench.entry("reference")
    shown = ["power", "phase"] if entry.power is not None else []
    itself = bench.roles.voltage in (None, bench.roles.reference)
    return ["voltage", *shown] if entry.voltage is not None and itself else shown


def _device_shows(device: Device) -> list[str]:
    display = device.display
    steps = {
        "power": display.power_resolution,
        "power_factor": display.power_factor_resolution,
        "energy": display.energy_resolution,
    }
    return [name for name, step in steps.items() if step is not None]


def _in_si(reading: Reading) -> Reading:
    value, unit = in_si(reading.value, reading.unit)
    return reading._replace(value=value, unit=unit)
