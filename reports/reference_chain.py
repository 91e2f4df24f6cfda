"""The instruments of a run: the reference chain, the accuracy they claim, and the others."""

from __future__ import annotations

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Table

from harness.results import ChainLink, InstrumentSummary, Results
from reports.page_style import TIGHT, heading, prose, ruled, space

_FUNCTIONS = {"meter": "meter under test", "switch": "range switch"}
"""Role in the bench file -> its function on the certificate, where the two differ."""


def instrument_table(results: Results) -> Iterator[Flowable]:
    """Tables of all of them, the reference chain first."""
    certified = [i for i in results.instruments if i.certificate and i.role != "reference"]
    others = [i for i in results.instruments if i.role != "reference" and i not in certified]
    yield from _chain(results)
    reference = [i for i in results.instruments if i.role == "reference"]
    title = (
        "Accuracy specification"
        if not certified
        else "Accuracy specification; further instruments with a calibration certificate"
    )
    columns = [
        "Instrument",
        "Serial number",
        "Calibration certificate",
        "Calibrated",
        "Due",
        "Accuracy specification, by range",
    ]
    rows = [_instrument_row(i) for i in (*reference, *certified)]
    if rows:
        table = ruled(columns, rows, [w * mm for w in (36, 21, 32, 18, 18, 45)])
        yield KeepTogether([space(3), prose(title, "subheading"), table])
    if others:
        yield space(3)
        yield KeepTogether(
            [
                prose("Other instruments", "subheading"),
                ruled(
                    ["Function", "Instrument", "Identification", "Serial number"],
                    [
                        [
                            _FUNCTIONS.get(i.role, i.role.replace("_", " ")),
                            i.name,
                            i.identity or i.profile,
                            i.serial or "–",
                        ]
                        for i in others
                    ],
                    [w * mm for w in (28, 38, 69, 35)],
                ),
            ]
        )


def _chain(results: Results) -> Iterator[Flowable]:
    """Every link between the load's current and the reading, and which of them has no certificate."""
    links = results.reference_chain
    if not links:
        none = "The record names no reference instrument. No result is traceable."
        yield KeepTogether([heading("Instruments"), prose(none, "strong")])
        return
    table = ruled(
        [
            "Element, from the primary current to the reading",
            "Serial number",
            "Calibration certificate",
            "Calibrated",
            "Due",
            "Known error and uncertainty",
        ],
        [_link_row(link) for link in links],
        [w * mm for w in (33, 24, 32, 18, 18, 45)],
    )
    yield KeepTogether([heading("Instruments"), prose("Reference path", "subheading"), table])
    yield space(1.5)
    without = [f"{link.part}{f' {link.serial}' if link.serial else ''}" for link in links if not link.traceable]
    if without:
        yield prose(f"Not traceable (no calibration certificate): {', '.join(without)}.", "strong")
    else:
        yield prose(
            "Metrological traceability: through the calibration certificates listed, as far as they state it.", "small"
        )
    yield prose(
        "All ranges use the same reference. This run cannot separate an error common to all ranges from an error of the "
        "reference. A check of the bench against an independent standard can.",
        "small",
    )


def _link_row(link: ChainLink) -> list[str | Flowable]:
    return [
        f"{link.part}: {link.name}" if link.name else link.part,
        f"{link.serial}, {link.serial_known_from}" if link.serial else "not stated",
        ", ".join(part for part in (link.certificate, link.laboratory) if part) or "none",
        link.calibrated or "–",
        link.due or "–",
        link.known,
    ]


def _instrument_row(instrument: InstrumentSummary) -> list[str | Flowable]:
    identity = f"{instrument.name}: {instrument.identity or instrument.profile}"
    certificate = ", ".join(part for part in (instrument.certificate, instrument.laboratory) if part)
    accuracy = Table(
        [[prose(text, "cell")] for text in instrument.accuracy or ("not stated",)],
        colWidths=[45 * mm - 5],
        style=[*TIGHT, ("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0)],
    )
    return [
        identity,
        instrument.serial or "–",
        certificate or "none",
        instrument.calibrated or "–",
        instrument.due or "–",
        accuracy,
    ]
