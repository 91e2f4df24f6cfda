"""The card that goes along when a verified meter is lent: one page of how to use it, what not to do, and what readings stand for."""

import io
from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from harness.core.rounding import NO_BREAK, current, current_pair, signed_percent
from harness.results import CardReading, MeterCard, RangeCard
from harness.safety.cautions import CAUTIONS, NOT_VERIFIED
from harness.wording.claim_parts import ENERGY_REGISTER, not_verified
from harness.wording.sentences import reason_line
from reports.page_style import Column, boxed, facts, heading, listed, paper, prose

TOP = 12 * mm

MOST_READINGS = 6
"""Readings of a range when there is room for them; a meter with many ranges has fewer, so that the card stays one page."""


def lending_card(card: MeterCard) -> bytes:
    """The card as one A4 page, or more where even one reading a range does not fit on one."""
    pages, content = 2, b""
    for most in range(MOST_READINGS, 0, -1):
        pages, content = _built(card, most)
        if pages == 1:
            break
    return content


def _built(card: MeterCard, most: int) -> tuple[int, bytes]:
    content = io.BytesIO()
    document = paper(content, f"Lending card, certificate {card.certificate}", TOP, TOP, author=card.laboratory)
    document.build([*_front(card), *_use(card), *_readings(card, most), *_cautions()])
    return document.page, content.getvalue()


def _front(card: MeterCard) -> Iterator[Flowable]:
    yield prose("To go with the meter", "title")
    yield prose(f"{card.title}, serial {card.serial}", "subtitle")
    if card.simulated:
        yield boxed([prose("Of a simulated bench: no real meter", "loud")])
    due = "no due date stated" if card.due is None else f"due {card.due}"
    yield facts(
        [
            ("Owner", card.owner),
            ("Certificate", f"{card.certificate}, {card.laboratory}; verified {card.verified}, {due}"),
            ("Verdict", card.verdict),
        ]
    )


def _use(card: MeterCard) -> Iterator[Flowable]:
    yield heading("How to use it")
    finer = len(card.ranges) > 1
    steps = [
        f"With the load unplugged, set the range switch to {card.first}. Plug the load in, switch it on and read.",
        "The current is what the display shows times the factor of the range.",
        "Is it within a range of more turns, and does that range withstand 15 times as much, and 15 times what the load's rating plate or its fuse says? "
        "Switch the load off and unplug it, turn to that range, plug it in and read again." * finer,
        "More than a range may carry: switch the load off and unplug it at once. Unplug it before you turn the switch back, too.",
        "Do not use a reading below or above the currents of its range: there nothing was verified.",
    ]
    for number, text in enumerate(filter(None, steps), 1):
        yield prose(f"{number}.  {text}")


def _readings(card: MeterCard, most: int) -> Iterator[Flowable]:
    yield heading("What a reading stands for")
    rows = [(rng, reading) for rng in card.ranges for reading in _spread(rng.readings, most)]
    firsts = [n for n, (rng, _) in enumerate(rows) if n == 0 or rows[n - 1][0] is not rng]
    yield listed(
        ("range", 12),
        [
            Column("verified from, to", 30, lambda row: _span(row[0]) if rows.index(row) in firsts else ""),
            Column(
                "never more\nthan", 18, lambda row: current(row[0].withstands, 3) if rows.index(row) in firsts else ""
            ),
            Column("display\ntimes", 14, lambda row: f"{row[0].display_factor:g}", numeric=True),
            Column("display\nshows", 16, lambda row: current(row[1].displayed)),
            Column("the current is", 34, lambda row: current_pair(row[1].current, row[1].expanded_uncertainty)),
            Column("correction", 18, lambda row: _correction(*row), numeric=True),
        ],
        [(row[0].name if n in firsts else "", row) for n, row in enumerate(rows)],
    )
    for rng in card.ranges:
        if not rng.verified:
            yield prose(f"{rng.name}: {rng.verdict}. It was not verified as conforming: do not use it.", "strong")
        elif not rng.readings:
            yield prose(f"{rng.name}: verified {_span(rng)}, display times {rng.display_factor:g}.")
    yield prose(
        f"One reading of a steady load, as the display shows it with all its digits; expanded uncertainty for a coverage probability of "
        f"{card.coverage_probability * 100:g}{NO_BREAK}%. Not included: what has changed since the verification, another temperature, and a "
        "current of another waveform than the loads of the verification drew.",
        "small",
    )
    others = [not_verified(card)]
    others += [ENERGY_REGISTER] if card.counts_energy else []
    if told := " ".join(filter(None, others)):
        yield prose(told, "small")
    for what, reasons in (("Wrong", card.wrong_on_paper), ("Not protected", card.unprotected)):
        if reasons:
            yield prose(f"{what}: {'; '.join(map(reason_line, reasons))}.", "strong")


def _cautions() -> Iterator[Flowable]:
    yield heading("Cautions")
    yield prose(" ".join((*CAUTIONS, NOT_VERIFIED)))
    yield prose("A small or a missing reading is no sign that nothing is live.", "strong")


def _spread(readings: tuple[CardReading, ...], most: int) -> list[CardReading]:
    """At most `most` of `readings`, the first and the last among them."""
    if len(readings) <= most:
        return list(readings)
    if most == 1:
        return [readings[-1]]
    return [readings[round(n * (len(readings) - 1) / (most - 1))] for n in range(most)]


def _span(rng: RangeCard) -> str:
    return f"{current(rng.lowest or 0.0, 3)} to {current(rng.highest or 0.0, 3)}"


def _correction(rng: RangeCard, reading: CardReading) -> str:
    return signed_percent(reading.current / (reading.displayed * rng.display_factor) - 1)
