"""The driver of every part of a bench, as its file says: over a link by a profile, or a person."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from harness.core.clock import Clock
from harness.core.errors import UserError
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.instrument_entry import InstrumentEntry
from harness.station.wires import LinkSource
from instruments.drivers.by_hand import (
    MAINS_VOLTAGE,
    PersonMeter,
    PersonReference,
    PersonSwitch,
    PersonVoltmeter,
    ReadByEye,
)
from instruments.drivers.over_links import (
    RegisterEnvironmentSensor,
    RegisterMeter,
    ScpiEnvironmentSensor,
    ScpiLoad,
    ScpiMeter,
    ScpiReference,
    ScpiSwitch,
    ScpiVoltageReference,
    ScpiVoltmeter,
)
from instruments.drivers.roles import EnvironmentSensor, Load, Meter, Reference, Switch, Voltmeter
from instruments.drivers.shelf_load import IF_ANOTHER, PersonLoad, ShelfLoad
from instruments.operator.person import Person
from instruments.profile import Profile, load_profile

_Driver = TypeVar("_Driver")

TYPING_DOUBT, SHELF_DOUBT = 0.2, 0.5
"""Relative deviation of a typed current from the expected one above which it is asked for again; a shelf load's rating is rough."""


@dataclass(frozen=True)
class Drivers:
    """Makes the drivers of one bench; every method raises ProfileError or UserError."""

    device: Device
    bench: Bench
    person: Person
    clock: Clock
    links: LinkSource
    folders: Sequence[Path]

    def load(self) -> Load:
        name, entry = self.bench.roles.load, self.bench.entry("load")
        if entry.by_person:
            shelf = [ShelfLoad(load.name, load.current, load.shape) for load in entry.shelf]
            return PersonLoad(name, self.person, entry.serial, shelf, self.links.plug)
        return self._scpi(name, "load", ScpiLoad)

    def reference(self) -> Reference:
        name, entry = self.bench.roles.reference, self.bench.entry("reference")
        if entry.by_person:
            return self._read_by_person(name, entry, "reference")
        profile = self._profile(name, "reference")
        frequency = profile.quantities.get("frequency")
        if entry.frequency is not None and (frequency is None or not frequency.get or frequency.configure):
            raise UserError(
                f"instruments.{name}.frequency: found it with profile {entry.profile!r}, expected a profile that reads the "
                "frequency beside the current"
            )
        if not self.bench.reference_path.in_volts:
            return self._scpi(name, "reference", ScpiReference)
        if "voltage" not in profile.quantities:
            raise UserError(
                f"instruments.{name}.profile: found {entry.profile!r}, expected a profile with a voltage: the reference path "
                "is read in volts"
            )
        return self._scpi(name, "reference", ScpiVoltageReference)

    def secondary(self) -> Reference:
        """The instrument that reads the current in the secondary loop."""
        name = self.bench.roles.secondary or ""
        entry, largest = self.bench.instruments[name], self.device.transformer.maximum_secondary_current
        if entry.ranges[-1].full_scale < largest:
            raise UserError(
                f"instruments.{name}.ranges: found {entry.ranges[-1].full_scale:g} A as the largest full scale, expected at "
                f"least the {largest:g} A the secondary may carry (maximum_secondary_current)"
            )
        if entry.by_person:
            return self._read_by_person(name, entry, "secondary")
        return self._scpi(name, "secondary", ScpiReference)

    def meter(self) -> Meter:
        return self._shown(self.bench.roles.meter, "meter")

    def check_standard(self) -> Meter:
        return self._shown(self.bench.roles.check_standard or "", "check_standard")

    def voltmeter(self) -> Voltmeter:
        name = self.bench.roles.voltage or ""
        entry = self.bench.instruments[name]
        if entry.by_person:
            assert entry.voltage is not None
            return PersonVoltmeter(name, self.person, entry.serial, entry.voltage.resolution, self.clock.now)
        profile = self._profile(name, "voltage")
        if profile.kind != "scpi":
            raise UserError(
                f"instruments.{name}.profile: found {entry.profile!r}, expected a SCPI profile with a voltage"
            )
        return self._scpi(name, "voltage", ScpiVoltmeter, MAINS_VOLTAGE)

    def environment(self) -> EnvironmentSensor:
        name = self.bench.roles.environment or ""
        entry = self.bench.instruments[name]
        if entry.by_person:
            raise UserError(
                f"instruments.{name}.profile: found 'person', expected a sensor's profile; "
                "what a person reads is typed into [environment]"
            )
        if self._profile(name, "environment").kind == "modbus":
            return self._registers(name, "environment", RegisterEnvironmentSensor)
        return self._scpi(name, "environment", ScpiEnvironmentSensor)

    def switch(self) -> Switch:
        name = self.bench.roles.switch
        entry = self.bench.instruments[name]
        if entry.by_person:
            leads_move = any(rng.bypasses_switch for rng in self.device.ranges)
            return PersonSwitch(name, self.person, entry.serial, self.links.turn_switch, leads_move)
        missing = [r.name for r in self.device.ranges if r.name not in entry.positions]
        if missing:
            raise UserError(
                f"instruments.{name}.positions: found none for {', '.join(missing)}, expected the relay's text for every range"
            )
        return self._scpi(name, "switch", ScpiSwitch, entry.positions)

    def _shown(self, name: str, role: str) -> Meter:
        entry, display = self.bench.instruments[name], self.device.display
        if entry.by_person:
            steps = {"power": display.power_resolution, "power_factor": display.power_factor_resolution}
            beside = {quantity: step for quantity, step in steps.items() if step is not None}
            own = role == "meter"
            resolution = display.resolution if own or not entry.ranges else entry.ranges[0].resolution
            shown = ReadByEye(name, role, entry.serial, {math.inf: resolution}, beside=beside if own else {})
            return PersonMeter(shown, self.person, self.clock.now)
        return linked_meter(name, entry, self._profile(name, role), self.links, self.clock.now)

    def _read_by_person(self, name: str, entry: InstrumentEntry, part: str) -> PersonReference:
        own = part == "reference"
        steps = {
            "power": entry.power.resolution if entry.power is not None else None,
            "voltage": entry.voltage.resolution if entry.voltage is not None else None,
        }
        shown = ReadByEye(
            name,
            part,
            entry.serial,
            {accuracy.full_scale: accuracy.resolution for accuracy in entry.ranges},
            entry.ranges[0].unit,
            {quantity: step for quantity, step in steps.items() if own and step is not None},
            *((SHELF_DOUBT, IF_ANOTHER) if self.bench.shelf_currents else (TYPING_DOUBT,)),
        )
        act = self.links.turn_reference if own else lambda _: None
        return PersonReference(shown, self.person, self.clock.now, act)

    def _scpi(self, name: str, role: str, driver: Callable[..., _Driver], *further: object) -> _Driver:
        entry, profile = self.bench.instruments[name], self._profile(name, role)
        open_link = partial(self.links.text, name, entry, profile)
        return driver(name, entry.address, profile, open_link, self.clock.now, *further)

    def _registers(self, name: str, role: str, driver: Callable[..., _Driver]) -> _Driver:
        entry, profile = self.bench.instruments[name], self._profile(name, role)
        return driver(name, entry.address, profile, partial(self.links.registers, name, entry), self.clock.now)

    def _profile(self, name: str, role: str) -> Profile:
        entry = self.bench.instruments[name]
        profile = load_profile(entry.profile, tuple(self.folders))
        if not profile.plays(role):
            raise UserError(
                f"instruments.{name}.profile: found {entry.profile!r}, a profile for a {profile.role}, "
                f"expected one for a {role.replace('_', ' ')}"
            )
        return profile


def linked_meter(
    name: str, entry: InstrumentEntry, profile: Profile, links: LinkSource, now: Callable[[], float]
) -> Meter:
    """A meter that is read over a link, as its profile says."""
    if profile.kind == "modbus":
        return RegisterMeter(name, entry.address, profile, partial(links.registers, name, entry), now)
    return ScpiMeter(name, entry.address, profile, partial(links.text, name, entry, profile), now)
