"""Check of recorded values against raw replies, registers and typed text, read again by the profiles in the record."""

from __future__ import annotations

import math
import struct
from collections.abc import Container, Iterable, Iterator, Mapping
from functools import cache, partial
from typing import Any

from harness.audit.recorded_points import SAME
from harness.files.bench import Bench
from harness.record.journal import Record
from instruments.drivers.by_hand import SHOWN_UNITS
from instruments.numbers import in_si, parse_number, typed_value
from instruments.profile import Profile
from instruments.register_numbers import decode_registers

_BETWEEN = " ... "
"""Separator between two replies whose mean was taken."""


def values(
    lines: Iterable[dict[str, Any]], bench: Bench, profiles: Mapping[str, Profile], by_standard: Container[int]
) -> Iterator[list[str]]:
    """For each line: readings whose value differs from the reply received. `by_standard`: points at which the check standard was read."""
    read_off, bracketed = cache(partial(_read_off, bench)), cache(partial(_bracketed, bench))
    for line in lines:
        wrong: list[str] = []
        standard = line.get("point") in by_standard
        for key, reading, source in _readings(line, bench):
            name, quantity = source or read_off(key, standard)
            if name not in bench.instruments:
                wrong.append(f"{key}: found a quantity that no instrument of this bench reads, expected none")
                continue
            parts = reading["raw"].split(_BETWEEN, 1) if line["kind"] != "look" and bracketed(key) else [reading["raw"]]
            try:
                read = [_again(part, quantity, name, bench, profiles) for part in parts]
            except (ValueError, KeyError, struct.error) as failure:
                reason = "its profile has no such quantity" if isinstance(failure, KeyError) else str(failure)
                received = f"{reading['raw'][:60]!r} received from {name}"
                wrong.append(f"{key}: found {received}, which cannot be read again: {reason}")
                continue
            value, unit = sum(v for v, _ in read) / len(read), read[0][1]
            found = reading.get("unit", unit)
            if not math.isclose(reading["value"], value, rel_tol=SAME, abs_tol=1e-15) or found != unit:
                expected = f"{value:.9g} {unit} from {reading['raw'][:60]!r} as received"
                wrong.append(f"{key}: found {reading['value']:.9g} {found}, expected {expected}")
        yield wrong


def _readings(line: Mapping[str, Any], bench: Bench) -> Iterator[tuple[str, Mapping[str, Any], tuple[str, str] | None]]:
    """The readings of a line: key, value and raw reply, and instrument and quantity where its key does not tell them."""
    if line["kind"] in ("reading", "approach", "undo"):
        found = {k: v for k, v in line.items() if isinstance(v, dict) and k != "also"} | line.get("also", {})
        yield from ((key, reading, None) for key, reading in found.items())
    elif line["kind"] == "look":
        reading = {"value": line["reference"], "raw": line["raw"]}
        yield "reference", reading, (bench.roles.reference, _of_reference(bench))
    elif line["kind"] == "environment":
        for quantity in ("temperature", "relative_humidity"):
            if line.get(quantity) is not None:
                reading = {"value": line[quantity], "raw": line["raw"].get(quantity, "")}
                yield quantity, reading, (bench.roles.environment or "", quantity)


def _read_off(bench: Bench, key: str, by_standard: bool) -> tuple[str, str]:
    """The instrument and the quantity of a recorded reading; no instrument when there is none."""
    roles = bench.roles
    of_reference = _of_reference(bench)
    meter = (roles.check_standard or "") if by_standard else roles.meter
    match key.partition("_"):
        case ("reference", "", _):
            return roles.reference, of_reference
        case ("displayed", "", _):
            return meter, "current"
        case ("before", "", _):
            by_person = bench.entry("reference").by_person
            return (roles.meter, "current") if by_person else (roles.reference, of_reference)
        case ("reference", _, "voltage"):
            return roles.voltage or roles.reference, "voltage"
        case ("reference", _, quantity):
            return roles.reference, quantity
        case ("displayed", _, quantity):
            return roles.meter, quantity
        case ("secondary", _, quantity):
            return roles.secondary or "", quantity
    return "", ""


def _of_reference(bench: Bench) -> str:
    return "voltage" if bench.reference_path.in_volts else "current"


def _bracketed(bench: Bench, key: str) -> bool:
    """Whether a current is the mean of a reading before and one after a person's."""
    by_person = {"reference": bench.entry("reference").by_person, "displayed": bench.entry("meter").by_person}
    return key in by_person and not by_person[key] and any(by_person.values())


def _again(raw: str, quantity: str, name: str, bench: Bench, profiles: Mapping[str, Profile]) -> tuple[float, str]:
    """Value and unit of a raw reply, read by its profile. Raises ValueError, KeyError or struct.error."""
    if bench.instruments[name].by_person:
        unit = "A" if quantity == "current" else SHOWN_UNITS[quantity]
        return typed_value(raw, unit), unit or "1"
    profile = profiles[name]
    if profile.kind == "modbus":
        register = profile.registers[quantity]
        words = [int(word, 16) for word in raw.split(" ")]
        value = decode_registers(words, register.type, register.word_order, register.byte_order) * register.scale
        return in_si(value, register.unit)
    return in_si(parse_number(raw), profile.quantities[quantity].unit)


def identities(record: Record, bench: Bench, profiles: Mapping[str, Profile]) -> Iterator[tuple[int, str]]:
    """Serial numbers that differ from the identification received."""
    for line in record.of_kind("identity"):
        name, profile = line["instrument"], profiles.get(line["instrument"])
        if name not in bench.instruments:
            yield line["line"], f"found an instrument called {name[:60]!r}, expected one of the bench file"
        elif profile is not None:
            if profile.kind == "scpi":
                fields = [field.strip() for field in line["identity"].split(",")]
                field = profile.identification.serial_field
                serial = fields[field] if field < len(fields) else ""
            else:
                serial = line["identity"].removeprefix(f"{profile.title}, serial ").removeprefix(profile.title)
            if serial != line["serial"]:
                yield line["line"], f"found serial {line['serial'][:40]!r}, expected {serial[:40]!r} as {name} answered"
