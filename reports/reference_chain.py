"""The instruments of a run: the reference chain, the accuracy they claim, and the others."""

from collections.abc import Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Table

from harness.results import ChainLink, InstrumentSummary, Results
from reports.page_style import TIGHT, Column, heading, listed, prose, space

_FUNCTIONS = {"meter": "meter under test", "switch": "range switch"}
"""Role in the bench file -> its function on the certificate, where the two differ."""


def instrument_table(results: Results) -> Iterator[Flowable]:
    """Tables of all instruments, the reference chain first."""
    certified = [i for i in results.instruments if i.certificate and i.role != "reference"]
    others = [i for i in results.instruments if i.role != "reference" and i not in certified]
    yield from _chain(results)
    reference = [i for i in results.instruments if i.role == "reference"]
    title = f"Accuracy specification{'; further instruments with a calibration certificate' if certified else ''}"
    rows = [(f"{i.name}: {i.identity or i.profile}", i) for i in (*reference, *certified)]
    if rows:
        yield KeepTogether([space(3), prose(title, "subheading"), listed(("Instrument", 36), _INSTRUMENT, rows)])
    if others:
        yield space(3)
        rows = [(_FUNCTIONS.get(i.role, i.role.replace("_", " ")), i) for i in others]
        yield KeepTogether([prose("Other instruments", "subheading"), listed(("Function", 28), _OTHER, rows)])


def _chain(results: Results) -> Iterator[Flowable]:
    """Every link between the load's current and the reading, and which of them has no certificate."""
    links = results.reference_chain
    if not links:
        none = "The record names no reference instrument. No result is traceable."
        yield KeepTogether([heading("Instruments"), prose(none, "strong")])
        return
    rows = [(f"{link.part}: {link.name}" if link.name else link.part, link) for link in links]
    table = listed(("Element, from the primary current to the reading", 33), _LINK, rows)
    yield KeepTogether([heading("Instruments"), prose("Reference path", "subheading"), table])
    yield space(1.5)
    if without := [f"{link.part} {link.serial}".strip() for link in links if not link.traceable]:
        yield prose(f"Not traceable (no calibration certificate): {', '.join(without)}.", "strong")
    else:
        rests = (
            "rests on the calibration certificates listed, as the bench file states them; their content was not checked"
        )
        yield prose(f"Metrological traceability: the reference current {rests}.", "small")
    yield prose(
        "All ranges use the same reference. This run cannot separate an error common to all ranges from an error of the "
        "reference. A check of the bench against an independent standard can.",
        "small",
    )


def _accuracy(instrument: InstrumentSummary) -> Flowable:
    return Table(
        [[prose(text, "cell")] for text in instrument.accuracy or ("not stated",)],
        colWidths=[45 * mm - 5],
        style=[*TIGHT, ("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0)],
    )


def _certificate(of: ChainLink | InstrumentSummary) -> str:
    return ", ".join(part for part in (of.certificate, of.laboratory) if part) or "none"


_LINK: Sequence[Column[ChainLink]] = (
    Column("Serial number", 24, lambda i: f"{i.serial}, {i.serial_known_from}" if i.serial else "not stated"),
    Column("Calibration certificate", 32, _certificate),
    Column("Calibrated", 18, lambda i: i.calibrated or "–"),
    Column("Due", 18, lambda i: i.due or "–"),
    Column("Known error and uncertainty", 45, lambda i: i.known),
)
_INSTRUMENT: Sequence[Column[InstrumentSummary]] = (
    Column("Serial number", 21, lambda i: i.serial or "–"),
    Column("Calibration certificate", 32, _certificate),
    Column("Calibrated", 18, lambda i: i.calibrated or "–"),
    Column("Due", 18, lambda i: i.due or "–"),
    Column("Accuracy specification, by range", 45, _accuracy),
)
_OTHER: Sequence[Column[InstrumentSummary]] = (
    Column("Instrument", 38, lambda i: i.name),
    Column("Identification", 69, lambda i: i.identity or i.profile),
    Column("Serial number", 35, lambda i: i.serial or "–"),
)
