"""The bench put together: every instrument opened, identified and in its role."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from harness.bench import Bench, InstrumentEntry
from harness.clock import Clock
from harness.device import Device
from harness.drivers import Drivers
from harness.errors import UserError
from harness.questions import RecordedPerson
from instruments.errors import InstrumentError
from instruments.link import Link, LinkSettings, RegisterLink
from instruments.modbus_link import ModbusLink
from instruments.person import Person
from instruments.profile import Profile, load_profile
from instruments.reading import Identity, shown
from instruments.roles import EnvironmentSensor, Instrument, Load, Meter, Reference, Switch, Voltmeter
from instruments.transcript import ReplayedRegisters, ReplayedText, TranscriptReader
from instruments.visa_link import VisaLink


class LinkSource(Protocol):
    """Where links come from: real wires, or a simulated bench in this process."""

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        """A fresh link to a SCPI instrument."""

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        """A fresh link to a Modbus unit."""

    def turn_switch(self, range_name: str) -> None:
        """What happens when a person turns the switch; nothing, on a real bench."""

    def plug(self, current: float) -> None:
        """What happens when a person plugs in a load of so many amperes, or unplugs it (0)."""

    def turn_reference(self, full_scale: float) -> None:
        """What happens when a person turns the reference to another range."""


REPLAYED = "transcript:"
"""What the address of an instrument begins with whose transcript answers instead of it."""


_SERIAL = re.compile(r"ASRL(/[^:]+)::INSTR", re.IGNORECASE)
WINDOWS_PORT = re.compile(r"(\\\\\.\\)?COM\d+", re.IGNORECASE)
"""A serial port of Windows: the name of a device, and no path."""


def resolved_address(address: str, folder: Path) -> str:
    """`address` with a relative serial port path taken from the bench file's `folder`."""
    port = address.removeprefix("modbus-rtu:")
    if port == address or WINDOWS_PORT.fullmatch(port):
        return address
    return f"modbus-rtu:{folder / port}"


def serial_port(address: str) -> str:
    """The device of a serial address, whatever speaks on it; empty for other addresses."""
    if address.startswith("modbus-rtu:"):
        return address.removeprefix("modbus-rtu:")
    found = _SERIAL.fullmatch(address)
    return found[1] if found else ""


def place(address: str, folder: Path) -> str:
    """What `address` leads to, the same for two ways of writing it: a serial port whatever is spoken on it, or a host."""
    import pyvisa.rname

    address = resolved_address(address, folder)
    if port := serial_port(address):
        return str(Path(port).resolve())
    address = address.upper().replace("LOCALHOST", "127.0.0.1")
    try:
        return pyvisa.rname.to_canonical_name(address).upper()
    except pyvisa.rname.InvalidResourceName:
        return address


def link_settings(entry: InstrumentEntry, profile: Profile | None = None, library: str = "@py") -> LinkSettings:
    """How to talk to an instrument: as the bench file's `entry` says, else as its `profile` does."""
    settings = LinkSettings(
        timeout=entry.timeout,
        baud_rate=entry.baud_rate,
        data_bits=entry.data_bits,
        parity=entry.parity,
        stop_bits=entry.stop_bits,
        flow_control=entry.flow_control,
        lock=entry.lock,
        library=library,
    )
    if profile is None:
        return settings
    ends = (entry.read_termination, entry.write_termination)
    read, write = (
        e if e is not None else p
        for e, p in zip(ends, (profile.read_termination, profile.write_termination), strict=True)
    )
    return replace(settings, read_termination=read, write_termination=write)


class Wires:
    """Real links, to whatever the bench file's addresses lead to; `folder` is where that file stands.

    `library` is the VISA library, as PyVISA names it. An address ``transcript:PATH`` leads to a file.
    """

    def __init__(self, folder: Path, library: str = "@py") -> None:
        self._folder, self._library = folder, library
        self._opened: set[str] = set()
        self._transcripts: dict[str, TranscriptReader] = {}

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        """A VISA session; a serial line opened again is drained first."""
        if entry.address.startswith(REPLAYED):
            return ReplayedText(self._transcript(name, entry, profile))
        again = name in self._opened
        self._opened.add(name)
        return VisaLink(name, entry.address, link_settings(entry, profile, self._library), drain=again)

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        """A Modbus connection."""
        if entry.address.startswith(REPLAYED):
            profile = load_profile(entry.profile, (self._folder / "profiles", self._folder))
            return ReplayedRegisters(self._transcript(name, entry, profile), drain)
        address = resolved_address(entry.address, self._folder)
        return ModbusLink(name, address, link_settings(entry), unit_id=entry.unit_id, drain=drain)

    def turn_switch(self, range_name: str) -> None:
        """The person does it."""

    def plug(self, current: float) -> None:
        """The person does it."""

    def turn_reference(self, full_scale: float) -> None:
        """The person does it."""

    def check_used_up(self) -> None:
        """Raise TranscriptError when a transcript that answers for an instrument holds more than was asked."""
        for transcript in self._transcripts.values():
            transcript.check_used_up()

    def _transcript(self, name: str, entry: InstrumentEntry, profile: Profile) -> TranscriptReader:
        if name not in self._transcripts:
            transcript = TranscriptReader(self._folder / entry.address.removeprefix(REPLAYED), name)
            transcript.check_profile(profile)
            self._transcripts[name] = transcript
        return self._transcripts[name]


@dataclass(frozen=True)
class Station:
    """The four parts and those a bench may have beside them, all instruments by name, and who is at the bench."""

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
        """Let go of every link."""
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
    """Open and identify every instrument: who answered, and one line for each that did not."""
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


def serial_elsewhere(identity: Identity, serial: str) -> str:
    """Where in the reply the serial number expected stands, if it does: the profile may look at another field."""
    fields = [field.strip() for field in identity.text.split(",")]
    if serial not in fields or len(fields) == 1:
        return ""
    return f"; that is field {fields.index(serial)} of the reply (serial_field counts from 0)"


def identity_problems(bench: Bench, identities: dict[str, Identity], today: dt.date) -> dict[str, str]:
    """What is wrong with who answered and until when it may be trusted: override name -> one line."""
    problems: dict[str, str] = {}
    for name, identity in identities.items():
        entry = bench.instruments[name]
        if entry.serial and identity.serial and identity.serial != entry.serial:
            problems[f"serial:{name}"] = (
                f"{name} at {entry.address or 'a person'}: serial {shown(identity.serial)!r} answers, expected "
                f"{entry.serial!r} as in the bench file{serial_elsewhere(identity, entry.serial)}"
            )
        if entry.address.startswith(REPLAYED):
            problems[f"replayed:{name}"] = (
                f"{name}: replayed from {entry.address.removeprefix(REPLAYED)}, not measured now"
            )
    return problems | calibration_problems(bench, today, identities)


def calibration_problems(bench: Bench, today: dt.date, names: Collection[str] | None = None) -> dict[str, str]:
    """What the dates of calibrations say against instruments (`names`, or all that play a role) and the reference path: override name -> one line."""
    problems: dict[str, str] = {}
    playing = {name for name in bench.roles.model_dump().values() if name is not None}
    dated = [
        (name, name, entry.calibration)
        for name, entry in bench.instruments.items()
        if name in (playing if names is None else names)
    ]
    if bench.reference_path.part is not None:
        dated.append(("reference_path", bench.reference_path.part_name, bench.reference_path.part.calibration))
    for key, name, calibration in dated:
        if calibration is None:
            continue
        if calibration.due < today:
            problems[f"due:{key}"] = (
                f"{name}: calibration {calibration.certificate} was due on {calibration.due}, today is {today}"
            )
        elif calibration.date > today:
            problems[f"due:{key}"] = (
                f"{name}: calibration {calibration.certificate} is dated {calibration.date}, which is yet to come (today is {today})"
            )
    return problems
