"""The links between the load's current and what the reference read: who they are, and by which certificate they are known."""

from collections.abc import Mapping

from harness.core.quantities import format_quantity
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.instrument_entry import Calibration, InstrumentEntry
from harness.files.reference_part import ReferencePart
from harness.files.reference_path import PART_NAME
from harness.record.journal import Record
from harness.results import ChainLink

CONFIRMED, NOT_ASKED = "yes", "not asked"
"""Answers of a person asked for the serial number, and the entry where nobody was asked."""


def question_of_the_part(bench: Bench) -> str:
    """The question to the person at the bench about the part in the reference path; empty where there is none."""
    path = bench.reference_path
    if path.part is None:
        return ""
    through = f", the load lead passed {path.loops} times through it" if path.loops > 1 else ""
    question = f"Is it the {path.part_name} that stands in the reference path{through}?"
    return f"{question} Read its serial number from its plate."


def reference_chain(device: Device, bench: Bench, record: Record) -> tuple[ChainLink, ...]:
    """The links in the order the current passes them; `record` tells who answered."""
    identities = {line["instrument"]: line for line in record.of_kind("identity")}
    asked = question_of_the_part(bench)
    answers = [line["answer"] for line in record.of_kind("prompt") if line["text"] == asked]
    links = [] if bench.reference_path.part is None else [_part(device, bench, answers)]
    return (*links, _instrument(bench.roles.reference, bench.entry("reference"), identities))


def _part(device: Device, bench: Bench, answers: list[str]) -> ChainLink:
    path = bench.reference_path
    part = path.part
    assert part is not None
    how = "confirmed at the bench" if CONFIRMED in answers[-1:] else "as the bench file states it"
    return _link(PART_NAME[path.kind], part.name, part.serial, how, part.calibration, _known(device, bench, part))


def _instrument(name: str, entry: InstrumentEntry, identities: Mapping[str, Mapping[str, str]]) -> ChainLink:
    answered = identities.get(name, {}).get("serial", "")
    how = "answered by the instrument" if answered and not entry.by_person else "as the bench file states it"
    corrected = [format_quantity(r.full_scale, r.unit) for r in entry.ranges if r.corrections]
    known = f"errors of its certificate corrected on {', '.join(corrected)}; else " if corrected else ""
    known += "within the accuracy claimed for each range"
    return _link("reference instrument", name, answered or entry.serial, how, entry.calibration, known)


def _link(part: str, name: str, serial: str, how: str, calibration: Calibration | None, known: str) -> ChainLink:
    return ChainLink(
        part=part,
        name=name,
        serial=serial,
        serial_known_from=how,
        certificate="" if calibration is None else calibration.certificate,
        calibrated="" if calibration is None else calibration.date.isoformat(),
        due="" if calibration is None else calibration.due.isoformat(),
        laboratory="" if calibration is None else calibration.laboratory,
        traceable=calibration is not None,
        known=known,
    )


def _known(device: Device, bench: Bench, part: ReferencePart) -> str:
    """The known error of the part in the path, at the run's frequency."""
    frequency = device.transformer.frequency
    said = []
    rows, claimed = part.rows(frequency), part.claimed(frequency)
    if rows:
        uncertainties = sorted(row.uncertainty for row in rows)
        at = "direct current" if rows[0].frequency == 0 else f"{rows[0].frequency:g} Hz"
        said.append(
            f"corrected from {format_quantity(rows[0].current, 'A')} to {format_quantity(rows[-1].current, 'A')} at {at}, "
            f"U (k = 2) {uncertainties[0] * 100:.2g} % to {uncertainties[-1] * 100:.2g} %"
        )
    if claimed:
        bound = f"± {(part.bound or 0) * 100:g} %"
        name = f"class {part.accuracy_class} of IEC 61869-2" if part.accuracy_class else bound
        span = f"{format_quantity(claimed[0].at, 'A')} to {format_quantity(claimed[-1].at, 'A')}"
        said.append(f"{name} from {span}{' where it is not corrected' if rows else ', not corrected'}")
    if part.burden is not None:
        said.append(f"with {format_quantity(part.burden, 'ohm')} on its secondary")
    if bench.reference_path.loops > 1:
        said.append(f"load lead passed {bench.reference_path.loops} times through it")
    return "; ".join(said)
