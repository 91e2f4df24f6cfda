"""Identification of the instruments against the bench file: serial numbers, replayed instruments and dates of calibrations."""

import datetime as dt
from collections.abc import Collection

from harness.files.bench import Bench
from instruments.links.address import REPLAYED
from instruments.reading import Identity, shown


def serial_elsewhere(identity: Identity, serial: str) -> str:
    """Where the expected serial number stands in the reply, if it does: the profile may look at another field."""
    fields = [field.strip() for field in identity.text.split(",")]
    if serial not in fields or len(fields) == 1:
        return ""
    return f"; that is field {fields.index(serial)} of the reply (serial_field counts from 0)"


def identity_problems(bench: Bench, identities: dict[str, Identity], today: dt.date) -> dict[str, str]:
    """Errors in identities and calibration dates: override name -> one line."""
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
    """Errors in calibration dates of instruments (`names`, or all that play a role) and the reference path: override name -> one line."""
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
