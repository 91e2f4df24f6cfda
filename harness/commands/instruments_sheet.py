"""What can be reached, who answers there, and which instrument of the bench file it is, on the terminal."""

from collections.abc import Mapping
from pathlib import Path

from harness.commands.console_sheet import ConsoleSheet
from harness.commands.discovery import Answer, Discovered
from harness.files.bench import Bench
from harness.files.instrument_entry import InstrumentEntry
from harness.station.identification import serial_elsewhere
from instruments.reading import Identity, shown


def show_offers(sheet: ConsoleSheet, found: Discovered) -> None:
    """Everything that is offered, with who answered there."""
    sheet.title(f"Offered by VISA ({found.library}) and the serial ports")
    for offer in found.offers:
        sheet.note(offer.address + (f"  ({offer.description})" if offer.description else ""))
        answer = found.at_offers.get(offer.address)
        if answer is None:
            sheet.dim(f"{' and '.join(found.named(offer.address))} in the bench file, see below", "      ")
        elif answer.identity is not None:
            sheet.note(answer.identity.shown, "      ")
            sheet.dim(_whose(answer.identity, found.entries), "      ")
        else:
            sheet.dim(answer.reason, "      ")
    if not found.offers:
        sheet.note("nothing")
    for note in found.notes:
        sheet.note(note)
    sheet.dim("Instruments on plain network sockets and Modbus units cannot be discovered. Enter them in a bench file.")


def _whose(identity: Identity, entries: Mapping[str, InstrumentEntry]) -> str:
    names = [n for n, e in entries.items() if e.serial and e.serial == identity.serial]
    if names:
        return f"by its serial number this is {' or '.join(names)} of the bench file"
    return "not in the bench file" if entries else f"serial {shown(identity.serial)}"


def show_bench(sheet: ConsoleSheet, bench_file: Path, bench: Bench, found: Discovered) -> int:
    """Every instrument of the bench file and whether it answers as itself; how many do not."""
    sheet.heading(f"Instruments of {bench_file}")
    everywhere = {bench.instruments[n].address: a for n, a in found.of_entries.items()} | dict(found.at_offers)
    wrong = 0
    for name, entry in bench.instruments.items():
        if entry.by_person:
            sheet.good(f"{name}: a person", "-")
            continue
        answer = found.of_entries[name]
        if answer.identity is not None and entry.serial in ("", answer.identity.serial):
            sheet.good(f"{name}: {entry.address}")
            sheet.below(answer.identity.shown, "dim")
            continue
        if answer == Answer():
            sheet.good(f"{name}: {entry.address}", "-")
            sheet.below("not queried: its profile has no serial_registers", "dim")
            continue
        wrong += 1
        sheet.bad(f"{name}: {entry.address}", "NO")
        sheet.below(_why(entry, answer, everywhere))
    asked = sum(a != Answer() for a in found.of_entries.values())
    sheet.gap()
    if wrong:
        sheet.bad(f"{wrong} of {asked} do not answer as the bench file says.", "NO")
    elif not asked:
        sheet.good("No instrument to query: a person reads or operates every part.")
    else:
        sheet.good(f"All {asked} instruments queried answer as the bench file says.")
    return wrong


def _why(entry: InstrumentEntry, answer: Answer, everywhere: Mapping[str, Answer]) -> str:
    """What is wrong, and the next thing to try."""
    serials = {a: other.identity.serial for a, other in everywhere.items() if other.identity and a != entry.address}
    there = [a for a, serial in serials.items() if serial and serial == entry.serial]
    moved = f"Serial {entry.serial} answers at {there[0]}: put that address into the bench file." if there else ""
    if answer.identity is None:
        return f"{answer.reason} {moved or answer.next_step}"
    found = f"Serial {shown(answer.identity.serial)} answers there, expected {entry.serial}{serial_elsewhere(answer.identity, entry.serial)}."
    return f"{found} {moved or 'Correct the address, or the serial if the instrument was exchanged on purpose.'}"
