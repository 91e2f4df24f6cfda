"""Who answers at an address: what the system offers, and the identification of each.

Nothing is sent but the identification query; a Modbus unit is only asked for its serial registers.
"""

import threading
import time
import warnings
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from harness.commands.advice import advice
from harness.files.bench import Bench
from harness.files.instrument_entry import InstrumentEntry
from harness.station.reservation import Reservations
from harness.station.wires import LinkSource, place, resolved_address
from instruments.drivers.registers import RegisterInstrument
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import InstrumentError
from instruments.links.address import REPLAYED
from instruments.links.serial_port import visa_address
from instruments.profile import Profile, ProfileError, load_profile
from instruments.reading import Identity

SECONDS_TO_ANSWER = 1.0
"""Seconds an instrument has to answer; one that needs longer is found again by its own entry's longer timeout in a run."""

LISTING = 8.0
"""Seconds after which a VISA library that is still looking for instruments is no longer waited for."""

MOST_AT_ONCE = 32
"""Lines that are asked at the same time."""

LIBRARY = "@py"
_NO_INSTRUMENTS = ("::INTFC", "::MEMACC", "::BACKPLANE")
"""VISA resources that are the way to instruments, not instruments."""

PLAIN = Profile.model_validate(
    {"kind": "scpi", "role": "reference", "title": "any", "quantities": {"current": {"unit": "A", "get": "READ?"}}}
)
"""Enough of a profile to ask an unknown instrument who it is."""


@dataclass(frozen=True)
class Offer:
    """An address that something may be at, and what the system says of it."""

    address: str
    description: str = ""


@dataclass(frozen=True)
class Answer:
    """What came from an address: who answered, or why not and what to try next. All empty: nothing was asked."""

    identity: Identity | None = None
    reason: str = ""
    next_step: str = ""


@dataclass(frozen=True)
class Discovered:
    """What VISA `library` and the serial ports offer, and who answered: there, and as instruments of the bench file.

    `entries` are the instruments of the bench file in `folder` that are on a link.
    """

    library: str
    folder: Path
    entries: Mapping[str, InstrumentEntry]
    offers: Sequence[Offer]
    notes: Sequence[str]
    at_offers: Mapping[str, Answer]
    of_entries: Mapping[str, Answer]

    def named(self, address: str) -> list[str]:
        """The instruments of the bench file at `address`."""
        return [n for n, e in self.entries.items() if place(e.address, self.folder) == place(address, self.folder)]


def discover(bench: Bench | None, folder: Path, folders: tuple[Path, ...], wires: LinkSource) -> Discovered:
    """Ask everybody; `folders` holds the bench's own profiles."""
    library = LIBRARY if bench is None else bench.visa
    entries = {} if bench is None else {n: e for n, e in bench.instruments.items() if not e.by_person}
    offers, notes = offered(library)
    known = {place(e.address, folder) for e in entries.values()}
    unknown = [o.address for o in offers if place(o.address, folder) not in known]
    probes = [(place(e.address, folder), partial(ask_entry, n, e, folders, folder, wires)) for n, e in entries.items()]
    probes += [(place(address, folder), partial(ask_unknown, address, wires)) for address in unknown]
    answers = _in_parallel(probes)
    at_offers = dict(zip(unknown, answers[len(entries) :], strict=True))
    return Discovered(library, folder, entries, offers, notes, at_offers, dict(zip(entries, answers, strict=False)))


def offered(library: str) -> tuple[list[Offer], list[str]]:
    """What the VISA library and the serial ports offer, and why something may be missing."""
    from serial.tools.list_ports import comports

    found: list[str] = []
    notes: list[str] = []

    def look() -> None:
        import pyvisa

        try:
            with warnings.catch_warnings():
                # That some kinds of discovery need further packages is no news to who has no such instruments.
                warnings.simplefilter("ignore")
                found.extend(pyvisa.ResourceManager(library).list_resources("?*"))
        except Exception as failure:  # noqa: BLE001  a library fails in many ways; what it offers is only a hint
            notes.append(f"VISA library {library} cannot list: {' '.join(str(failure).split())}")

    # A daemon, because nothing can end a library that hangs.
    looking = threading.Thread(target=look, daemon=True)
    looking.start()
    looking.join(LISTING)
    if looking.is_alive():
        notes.append(f"VISA library {library} was still looking after {LISTING:g} s and is not waited for")
    ports = {visa_address(port.device): port.description for port in comports()}
    addresses = dict.fromkeys(a for a in (*found, *ports) if not a.upper().endswith(_NO_INSTRUMENTS))
    return [Offer(a, "" if ports.get(a, "n/a") == "n/a" else ports[a]) for a in addresses], notes


def ask_entry(name: str, entry: InstrumentEntry, folders: Sequence[Path], folder: Path, wires: LinkSource) -> Answer:
    """Ask an instrument of the bench file who it is, in the words of its profile."""
    try:
        profile = load_profile(entry.profile, tuple(folders))
    except ProfileError as failure:
        return Answer(None, f"Its profile is wrong: {'; '.join(str(failure).splitlines())}.", "Correct the profile.")
    entry = entry.model_copy(update={"timeout": min(entry.timeout, SECONDS_TO_ANSWER)})
    address = resolved_address(entry.address, folder)
    if profile.kind == "modbus":
        if profile.serial_registers is None:
            return Answer()
        unit = RegisterInstrument(
            name, address, profile, lambda drain: wires.registers(name, entry, drain), time.monotonic
        )
        return _asked(unit, address, "for its serial number")
    return _asked_in_words(name, entry, profile, address, wires)


def ask_unknown(address: str, wires: LinkSource) -> Answer:
    """Ask whoever is at `address` who it is."""
    entry = InstrumentEntry.model_validate({"profile": "any", "address": address, "timeout": f"{SECONDS_TO_ANSWER} s"})
    return _asked_in_words(address, entry, PLAIN, address, wires)


def _asked_in_words(name: str, entry: InstrumentEntry, profile: Profile, address: str, wires: LinkSource) -> Answer:
    instrument = ScpiInstrument(name, address, profile, lambda: wires.text(name, entry, profile), time.monotonic)
    return _asked(instrument, address, profile.identification.query)


def _asked(instrument: ScpiInstrument | RegisterInstrument, address: str, query: str) -> Answer:
    try:
        instrument.open()
        return Answer(instrument.identify())
    except InstrumentError as failure:
        return Answer(None, *advice(address, failure, query))
    finally:
        instrument.close()


def _in_parallel(probes: Sequence[tuple[str, Callable[[], Answer]]]) -> list[Answer]:
    """All answers in order; what shares a place (two units on one serial line) is asked one after the other."""
    lines: dict[str, list[tuple[int, Callable[[], Answer]]]] = {}
    for number, (where, ask) in enumerate(probes):
        lines.setdefault(where, []).append((number, ask))
    with Reservations("ratioproof instruments") as reservations, ThreadPoolExecutor(MOST_AT_ONCE) as threads:
        # Not one byte goes to an instrument that a run is reading.
        in_use = {
            where: holder
            for where in lines
            if not where.lower().startswith(REPLAYED) and (holder := reservations.take(where))
        }
        taken = {
            where: Answer(None, f"It is in use by {who}.", "Wait until that has ended.")
            for where, who in in_use.items()
        }
        done = threads.map(
            lambda line: [(number, taken.get(line[0]) or ask()) for number, ask in line[1]], lines.items()
        )
        found = [pair for line in done for pair in line]
    return [answer for _, answer in sorted(found, key=lambda pair: pair[0])]
