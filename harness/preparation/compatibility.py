"""Compatibility of device file, bench file and profiles, as far as it can be checked without any instrument."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.core.quantities import format_quantity
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.instrument_entry import InstrumentEntry
from harness.station.wires import place
from instruments.links.address import REPLAYED, address_problem
from instruments.profile import Profile, ProfileError, load_profile
from instruments.register_numbers import register_count


def claims_below_display(device: Device, device_file: Path) -> list[str]:
    """Ranges claimed from below the display threshold: checked first, since any other consequence would hide the cause."""
    return [
        f"{device_file}: ranges[{number}].minimum_current: found {format_quantity(rng.minimum_current, 'A')}, but on range "
        f"{rng.name} the display shows nothing below {format_quantity(shown, 'A')} "
        "(display.smallest_readable_current times display_factor), expected at least that"
        for number, rng in enumerate(device.ranges, 1)
        if rng.minimum_current < (shown := device.display.smallest_readable_current * rng.display_factor) * (1 - 1e-9)
    ]


def profile_problems(bench: Bench, bench_file: Path, folders: Sequence[Path]) -> list[str]:
    """Profiles that are missing, wrong, or cannot answer with the serial number in the bench file; malformed addresses."""
    problems = []
    for name, entry in bench.instruments.items():
        if entry.by_person:
            continue
        where = f"{bench_file}: instruments.{name}"
        try:
            profile = load_profile(entry.profile, tuple(folders))
        except ProfileError as failure:
            problems += [f"{where}.profile: {line}" for line in str(failure).splitlines()]
            continue
        if not entry.address.startswith(REPLAYED):
            wrong = address_problem(entry.address, registers=profile.kind == "modbus", library=bench.visa)
            problems += [f"{where}.address: {wrong}"] if wrong else []
        problems += [f"{where}.serial: found {entry.serial!r}, {text}" for text in _unanswerable(entry, profile)]
    return problems


def shared_places(bench: Bench, bench_file: Path) -> list[str]:
    """Instruments at one place, however it is written: each would read the other's replies. Units of one Modbus line may share it."""
    folder, problems = bench_file.resolve().parent, []
    known: dict[str, list[tuple[str, InstrumentEntry]]] = {}
    for name, entry in bench.instruments.items():
        if not entry.address:
            continue
        there = known.setdefault(place(entry.address, folder), [])
        problems += [
            f"{bench_file}: instruments.{name}.address: found {entry.address!r}, where {other!r} is too ({first.address}), "
            "expected a place of its own for each"
            for other, first in there
            if not _units_of_one_line(entry, first)
        ]
        there.append((name, entry))
    return problems


def _units_of_one_line(one: InstrumentEntry, other: InstrumentEntry) -> bool:
    return one.unit_id != other.unit_id and all(e.address.startswith("modbus-") for e in (one, other))


def contradicting_serials(
    device: Device, device_file: Path, bench: Bench, bench_file: Path, folders: Sequence[Path]
) -> str:
    """The line on two serial numbers of one meter that answers with none; empty where the files agree, or its answer is compared."""
    entry, stated = bench.entry("meter"), device.identity.serial
    if not entry.serial or not stated or entry.serial == stated:
        return ""
    if not entry.by_person:
        profile = load_profile(entry.profile, tuple(folders))
        if profile.kind == "scpi" or profile.serial_registers is not None:
            return ""
    return (
        f"{bench_file}: instruments.{bench.roles.meter}.serial: found {entry.serial!r}, expected {stated!r} as identity.serial in "
        f"{device_file}: both are the meter under test, which does not answer with a serial number"
    )


def _unanswerable(entry: InstrumentEntry, profile: Profile) -> Iterator[str]:
    """Reasons why no instrument of this profile can answer with the serial number of its entry."""
    serial, place = entry.serial, profile.serial_registers
    if not serial:
        return
    if not serial.isascii() or not serial.isprintable() or serial != serial.strip():
        yield "expected printable ASCII characters, as an instrument answers"
    elif profile.kind == "scpi":
        if "," in serial:
            yield "expected none of the commas that part the fields of an identification"
    elif place is not None and place.type == "ascii":
        if len(serial) > 2 * place.count:
            yield f"expected at most the {2 * place.count} characters of the profile's serial_registers"
    elif place is not None:
        bits = 16 * register_count(place.type)
        if not serial.isdigit() or len(serial) > 20 or str(int(serial)) != serial or int(serial) >> bits:
            yield f"expected a number of {bits} bits without leading zeros, as the profile's serial_registers hold"
