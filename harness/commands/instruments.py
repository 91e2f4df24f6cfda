"""`ratioproof instruments`: what can be reached, who answers there, and which instrument of the bench file it is.

Nothing is sent but the identification query; a Modbus unit is only asked for its serial registers.
"""

from __future__ import annotations

import threading
import time
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rich.console import Console

from harness.commands.advice import advice
from harness.commands.certify import prepare_folder
from harness.commands.console_sheet import Sheet
from harness.core.errors import UserError
from harness.files.bench import Bench, InstrumentEntry
from harness.files.loading import parse_bench, read_text
from harness.preparation.run_files import profile_folders
from harness.replay.link_transcripts import TranscribedLinks
from harness.station.identification import serial_elsewhere
from harness.station.reservation import Reservations
from harness.station.wires import REPLAYED, LinkSource, Wires, place, resolved_address
from instruments.drivers.registers import RegisterInstrument
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import InstrumentError
from instruments.links.serial_port import visa_address
from instruments.profile import Profile, ProfileError, load_profile
from instruments.reading import Identity, shown

LONGEST_WAIT = 1.0
"""Seconds an instrument has to answer; one that needs longer is found again by its own entry's longer timeout in a run."""

LISTING = 8.0
"""Seconds after which a VISA library that is still looking for instruments is no longer waited for."""

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


def instruments(bench_file: Path | None, console: Console, transcript: Path | None = None) -> int:
    """List and identify; 0 when every instrument of the bench answers as itself, 2 otherwise.

    With `transcript` every exchange is written into that folder.
    """
    sheet = Sheet(console)
    bench = None if bench_file is None else parse_bench(read_text(bench_file), str(bench_file))
    folder = (bench_file or Path("bench.toml")).resolve().parent
    library = LIBRARY if bench is None else bench.visa
    offers, notes = offered(library)
    entries = {} if bench is None else {n: e for n, e in bench.instruments.items() if not e.by_person}
    folders = () if bench_file is None else profile_folders(bench_file)
    wires: LinkSource = Wires(folder, library)
    written = None
    if transcript is not None:
        if transcript.exists():
            raise UserError(f"{transcript}: exists already; a transcript is never overwritten")
        prepare_folder(transcript)
        written = wires = TranscribedLinks(wires, transcript, time.monotonic, folders)
    known = {place(e.address, folder) for e in entries.values()}
    unknown = [o for o in offers if place(o.address, folder) not in known]
    probes = [(place(e.address, folder), partial(ask_entry, n, e, folders, folder, wires)) for n, e in entries.items()]
    probes += [(place(o.address, folder), partial(ask_unknown, o.address, wires)) for o in unknown]
    answers = _in_parallel(probes)
    for trouble in written.close() if written is not None else ():
        sheet.note(trouble)
    of_entries = dict(zip(entries, answers, strict=False))
    of_unknown = dict(zip((o.address for o in unknown), answers[len(entries) :], strict=True))
    _show_offers(sheet, offers, of_unknown, entries, folder, library, notes)
    if bench is None or bench_file is None:
        return 0
    return _show_bench(sheet, bench_file, bench, of_entries, of_unknown)


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
    entry = entry.model_copy(update={"timeout": min(entry.timeout, LONGEST_WAIT)})
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
    entry = InstrumentEntry.model_validate({"profile": "any", "address": address, "timeout": f"{LONGEST_WAIT} s"})
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
    numbered = list(enumerate(probes))
    lines: dict[str, list[tuple[int, Callable[[], Answer]]]] = {}
    for number, (where, ask) in numbered:
        lines.setdefault(where, []).append((number, ask))
    if not lines:
        return []
    with (
        Reservations("ratioproof instruments") as reservations,
        ThreadPoolExecutor(max_workers=min(32, len(lines))) as threads,
    ):
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


def _show_offers(
    sheet: Sheet,
    offers: Sequence[Offer],
    answers: dict[str, Answer],
    entries: dict[str, InstrumentEntry],
    folder: Path,
    library: str,
    notes: Sequence[str],
) -> None:
    sheet.title(f"Offered by VISA ({library}) and the serial ports")
    for offer in offers:
        sheet.note(offer.address + (f"  ({offer.description})" if offer.description else ""))
        answer = answers.get(offer.address)
        if answer is None:
            here = [n for n, e in entries.items() if place(e.address, folder) == place(offer.address, folder)]
            sheet.dim(f"{' and '.join(here)} in the bench file, see below", "      ")
        elif answer.identity is not None:
            sheet.note(answer.identity.shown, "      ")
            sheet.dim(_whose(answer.identity, entries), "      ")
        else:
            sheet.dim(answer.reason, "      ")
    if not offers:
        sheet.note("nothing")
    for note in notes:
        sheet.note(note)
    sheet.dim(
        "Instruments on plain network sockets and Modbus units announce themselves to nobody; name them in a bench file."
    )


def _whose(identity: Identity, entries: dict[str, InstrumentEntry]) -> str:
    names = [n for n, e in entries.items() if e.serial and e.serial == identity.serial]
    if names:
        return f"by its serial number this is {' or '.join(names)} of the bench file"
    return "not in the bench file" if entries else f"serial {shown(identity.serial)}"


def _show_bench(
    sheet: Sheet, bench_file: Path, bench: Bench, answers: dict[str, Answer], elsewhere: dict[str, Answer]
) -> int:
    sheet.heading(f"Instruments of {bench_file}")
    everywhere = {bench.instruments[n].address: a for n, a in answers.items()} | elsewhere
    wrong = 0
    for name, entry in bench.instruments.items():
        if entry.by_person:
            sheet.good(f"{name}: a person", "-")
            continue
        answer = answers[name]
        if answer.identity is not None and entry.serial in ("", answer.identity.serial):
            sheet.good(f"{name}: {entry.address}")
            sheet.dim(answer.identity.shown, " " * 9)
            continue
        if answer == Answer():
            sheet.good(f"{name}: {entry.address}", "-")
            sheet.dim("not asked: its profile has no serial_registers", " " * 9)
            continue
        wrong += 1
        sheet.bad(f"{name}: {entry.address}", "NO")
        sheet.note(_why(entry, answer, everywhere), " " * 9)
    asked = sum(a != Answer() for a in answers.values())
    sheet.gap()
    if wrong:
        sheet.bad(f"{wrong} of {asked} do not answer as the bench file says.", "NO")
    elif not asked:
        sheet.good("There is nothing to ask: a person plays every part.")
    else:
        sheet.good(f"All {asked} that were asked answer as themselves.")
    return 2 if wrong else 0


def _why(entry: InstrumentEntry, answer: Answer, everywhere: dict[str, Answer]) -> str:
    """What is wrong, and the next thing to try."""
    there = [a for a, other in everywhere.items() if _is(entry, other) and a != entry.address]
    moved = f"Serial {entry.serial} answers at {there[0]}: put that address into the bench file." if there else ""
    if answer.identity is None:
        return f"{answer.reason} {moved or answer.next_step}"
    found = f"Serial {shown(answer.identity.serial)} answers there, expected {entry.serial}{serial_elsewhere(answer.identity, entry.serial)}."
    return f"{found} {moved or 'Correct the address, or the serial if the instrument was exchanged on purpose.'}"


def _is(entry: InstrumentEntry, answer: Answer) -> bool:
    return bool(entry.serial) and answer.identity is not None and answer.identity.serial == entry.serial
