"""The assembled bench: every instrument opened, identified and in its role."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from harness.core.clock import Clock
from harness.core.errors import UserError
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.recorded_questions import RecordedPerson
from harness.station.drivers import Drivers
from harness.station.wires import LinkSource
from instruments.drivers.roles import EnvironmentSensor, Instrument, Load, Meter, Reference, Switch, Voltmeter
from instruments.errors import InstrumentError
from instruments.operator.person import Person
from instruments.reading import Identity


@dataclass(frozen=True)
class Station:
    """The four parts and any further ones of the bench, all instruments by name, and the person at the bench."""

    load: Load
    reference: Reference
    meter: Meter
    switch: Switch
    instruments: dict[str, Instrument]
    safe_order: tuple[str, ...]
    person: RecordedPerson
    environment: EnvironmentSensor | None = None
    secondary: Reference | None = None
    voltmeter: Voltmeter | None = None
    check_standard: Meter | None = None

    def close(self) -> None:
        for instrument in self.instruments.values():
            instrument.close()


def assemble(
    device: Device, bench: Bench, *, person: Person, clock: Clock, links: LinkSource, folders: Sequence[Path]
) -> Station:
    """Make the drivers of the bench; nothing is opened yet. Raises ProfileError or UserError."""
    asked = RecordedPerson(person)
    roles, drivers = bench.roles, Drivers(device, bench, asked, clock, links, folders)
    station = Station(
        load=drivers.load(),
        reference=drivers.reference(),
        meter=drivers.meter(),
        switch=drivers.switch(),
        environment=drivers.environment() if roles.environment is not None else None,
        secondary=drivers.secondary() if roles.secondary is not None else None,
        # A reference that reads the voltage too is opened once.
        voltmeter=drivers.voltmeter() if roles.voltage not in (None, roles.reference) else None,
        check_standard=drivers.check_standard() if roles.check_standard is not None else None,
        instruments={},
        # The load first, whatever the bench file says: nothing else may move while current flows.
        safe_order=(roles.load, *(name for name in bench.safe_order if name != roles.load)),
        person=asked,
    )
    parts: list[Instrument | None] = [
        station.load,
        station.reference,
        station.meter,
        station.switch,
        station.environment,
        station.secondary,
        station.voltmeter,
        station.check_standard,
    ]
    return replace(station, instruments={part.name: part for part in parts if part is not None})


def open_all(station: Station) -> dict[str, Identity]:
    """Open and identify every instrument. Raises one UserError naming all that do not answer."""
    identities, problems = open_each(station)
    if problems:
        raise UserError(problems)
    return identities


def open_each(station: Station) -> tuple[dict[str, Identity], list[str]]:
    """Open and identify every instrument: identities, and one line for each that did not answer."""
    identities: dict[str, Identity] = {}
    problems: list[str] = []
    for name, instrument in station.instruments.items():
        try:
            instrument.open()
            identities[name] = instrument.identify()
            instrument.start()
        except InstrumentError as failure:
            problems.append(str(failure))
    if station.load.name not in identities:
        problems.append(f"{station.load.name} was not reached: whether it drives current is not known")
    return identities, problems
