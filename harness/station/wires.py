"""The links of a bench: addresses, link settings, and real wires."""

import contextlib
import re
from dataclasses import fields
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from harness.files.instrument_entry import InstrumentEntry
from instruments.links.address import REPLAYED
from instruments.links.link import Link, LinkSettings, RegisterLink
from instruments.links.modbus_link import ModbusLink
from instruments.links.serial_port import SOCKET, leads_to, visa_port, windows_port
from instruments.links.transcribed_links import ReplayedRegisters, ReplayedText
from instruments.links.transcript import TranscriptReader
from instruments.links.visa_link import VisaLink
from instruments.profile import Profile, load_profile


class LinkSource(Protocol):
    """A source of links: real wires, or a simulated bench in this process.

    It also receives the actions of a person at the bench; a subclass inherits doing nothing.
    """

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        """A fresh link to a SCPI instrument."""

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        """A fresh link to a Modbus unit."""

    def turn_switch(self, range_name: str) -> None:
        """React to a person turning the switch; nothing on a real bench."""
        return

    def plug(self, current: float) -> None:
        """React to a person plugging in a load of so many amperes, or unplugging it (0)."""
        return

    def turn_reference(self, full_scale: float) -> None:
        """React to a person turning the reference to another range."""
        return


class PassedOn(LinkSource):
    """Base of links that wrap another source: passes the actions of a person on to it."""

    def __init__(self, links: LinkSource) -> None:
        self._links = links

    def turn_switch(self, range_name: str) -> None:
        self._links.turn_switch(range_name)

    def plug(self, current: float) -> None:
        self._links.plug(current)

    def turn_reference(self, full_scale: float) -> None:
        self._links.turn_reference(full_scale)


MODBUS_PORT, HISLIP_PORT = 502, 4880
"""Ports registered with IANA, which an address may leave out."""
_LEADING_ZEROS = re.compile(r"(?<=::)0+(?=[0-9]+(::|$))")


def resolved_address(address: str, folder: Path) -> str:
    """`address` with a relative serial port path taken from the bench file's `folder`."""
    port = serial_port(address)
    if not port or windows_port(port):
        return address
    before = len("modbus-rtu:" if address.startswith("modbus-rtu:") else "ASRL")
    return f"{address[:before]}{folder / port}{address[before + len(port) :]}"


def serial_port(address: str) -> str:
    """The device of a serial address, whatever speaks on it; empty for other addresses."""
    if address.startswith("modbus-rtu:"):
        port = address.removeprefix("modbus-rtu:")
        return "" if port.startswith(SOCKET) else port
    return visa_port(address)


def place(address: str, folder: Path) -> str:
    """The destination of `address`, the same however it is written: a serial port, or a host and its port, whatever is spoken there.

    Host names are not looked up: a name and its number are two places.
    """
    from pyvisa import rname

    if port := serial_port(resolved_address(address, folder)):
        address = leads_to(port)
        if not address.startswith(SOCKET):
            return windows_port(port) or str(Path(port).resolve())
    url = urlsplit(address.removeprefix("modbus-rtu:"))
    if url.scheme in ("socket", "modbus-tcp"):
        with contextlib.suppress(ValueError):
            return f"{_host(url.hostname or '')}:{url.port or MODBUS_PORT}"
    try:
        name = rname.ResourceName.from_string(address.upper())
    except rname.InvalidResourceName:
        return address
    if isinstance(name, rname.TCPIPSocket):
        return f"{_host(name.host_address)}:{name.port.lstrip('0')}"
    if isinstance(name, rname.TCPIPInstr):
        name.host_address = _host(name.host_address)
        name.lan_device_name = name.lan_device_name.lower().removesuffix(f",{HISLIP_PORT}")
    return _LEADING_ZEROS.sub("", str(name))


def _host(name: str) -> str:
    """A host's name as it is compared: in small letters, this computer by its number."""
    name = name.lower().rstrip(".")
    return "127.0.0.1" if name in ("localhost", "::1") else name


def link_settings(entry: InstrumentEntry, profile: Profile | None = None, library: str = "@py") -> LinkSettings:
    """Link settings of an instrument: by the bench file's `entry`, else by its `profile`."""
    given = {f.name: getattr(entry, f.name, None) for f in fields(LinkSettings)}
    for end in ("read_termination", "write_termination"):
        if given[end] is None and profile is not None:
            given[end] = getattr(profile, end)
    return LinkSettings(**{key: value for key, value in given.items() if value is not None} | {"library": library})


class Wires(LinkSource):
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
        address = resolved_address(entry.address, self._folder)
        return VisaLink(name, address, link_settings(entry, profile, self._library), drain=again)

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        if entry.address.startswith(REPLAYED):
            profile = load_profile(entry.profile, (self._folder / "profiles", self._folder))
            return ReplayedRegisters(self._transcript(name, entry, profile), drain)
        address = resolved_address(entry.address, self._folder)
        return ModbusLink(name, address, link_settings(entry), unit_id=entry.unit_id, drain=drain)

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
