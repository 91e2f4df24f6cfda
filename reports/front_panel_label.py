"""The label for the front panel of a verified meter, in true size: as PDF to print, and as SVG to engrave or to edit."""

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from reportlab.graphics import renderPDF, renderSVG
from reportlab.graphics.shapes import Drawing, Line, Rect, String
from reportlab.lib.colors import black, white
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from harness.core.rounding import current
from harness.results import MeterCard, RangeCard
from harness.wording.claim_parts import not_verified
from reports.fonts import BOLD, REGULAR, SEMIBOLD, printable, register

CAPITAL_HEIGHT = 0.66
"""Height of a capital of the type family as a part of its size (its OS/2 table, sCapHeight)."""

LEGIBLE = 3 * mm
"""Height of the capitals of what must be read at arm's length, at least: about 3 mm at 0.7 m, 15 minutes of arc (common practice, no published source)."""

MAIN, HEAD, FINE = LEGIBLE / CAPITAL_HEIGHT, 9.0, 8.5
"""Sizes of type in points: what must be read, heads of columns, what is looked up at close range."""

EDGE, LEADING = 3 * mm, 1.2
COLUMNS = ("range", "display times", "from", "to")


@dataclass(frozen=True)
class _LabelLine:
    """A line of text: `x` and `y` in points from the upper left corner to its foot."""

    x: float
    y: float
    text: str
    font: str
    size: float
    inverted: bool = False


def narrowest(card: MeterCard) -> float:
    """The smallest width of the label in points: that of its widest row or word."""
    register()
    unused = max((_width(_cells(r)[1], BOLD, MAIN) for r in card.ranges if not r.verified), default=0.0)
    return 2 * EDGE + max(
        _column_widths(card)[0] + unused,
        sum(_column_widths(card)),
        *(_width(word, SEMIBOLD, MAIN) for text in _warnings(card) for word in text.split(" ")),
    )


def label(card: MeterCard, width: float) -> Drawing:
    """The label, `width` points wide and as high as its text needs, in black and white. Raises ValueError where the width does not hold its rows."""
    register()
    if width < narrowest(card):
        raise ValueError(f"found {width / mm:.0f} mm, expected {narrowest(card) / mm:.0f} mm or more for this meter")
    texts = list(_texts(card, width - 2 * EDGE))
    height = texts[-1].y + EDGE
    drawing = Drawing(width, height, initialFontName=REGULAR)
    drawing.add(_box(0.5, 0.5, width - 1, height - 1, fillColor=white, strokeColor=black, strokeWidth=1))
    for text in texts:
        if text.inverted:
            foot = height - text.y - 0.3 * text.size
            drawing.add(_box(0, foot, width, 1.25 * text.size, fillColor=black, strokeColor=None))
        colour = white if text.inverted else black
        drawing.add(
            String(text.x, height - text.y, text.text, fontName=text.font, fontSize=text.size, fillColor=colour)
        )
    ruled = next(text.y for text in texts if text.text == COLUMNS[0]) + 0.35 * HEAD
    drawing.add(Line(EDGE, height - ruled, width - EDGE, height - ruled, strokeColor=black, strokeWidth=0.7))
    return drawing


def label_pdf(card: MeterCard, drawing: Drawing) -> bytes:
    """`drawing` as a page of its own size."""
    content = io.BytesIO()
    font: Any = REGULAR
    canvas = Canvas(content, pagesize=(drawing.width, drawing.height), invariant=1, initialFontName=font)
    canvas.setTitle(f"Front panel label, certificate {card.certificate}")
    renderPDF.draw(drawing, canvas, 0, 0)
    canvas.save()
    return content.getvalue()


def label_svg(drawing: Drawing) -> bytes:
    """`drawing` in millimetres. Its type is named, not embedded: where it is not installed another one without serifs stands in."""
    text = renderSVG.drawToString(drawing)
    size = f'width="{drawing.width / mm:.2f}mm" height="{drawing.height / mm:.2f}mm"'
    text = re.sub(r'<svg width="[^"]*" height="[^"]*"', f"<svg {size}", text, count=1)
    whole = f'viewBox="0 0 {drawing.width:g} {drawing.height:g}"'
    text = re.sub(r'viewBox="[^"]*"', whole, text, count=1)
    for font, weight in ((REGULAR, 400), (SEMIBOLD, 600), (BOLD, 700)):
        text = text.replace(
            f"font-family: {font};", f"font-family: 'Source Sans Pro', sans-serif; font-weight: {weight};"
        )
    return text.encode("utf-8")


def _box(x: float, y: float, width: float, height: float, **style: Any) -> Rect:
    return Rect(x, y, width, height, **style)


def _texts(card: MeterCard, measure: float) -> Iterator[_LabelLine]:
    y = EDGE + 0.8 * MAIN
    if card.simulated:
        yield _LabelLine(EDGE, y, "SIMULATED: NO REAL METER", BOLD, MAIN, inverted=True)
        y += LEADING * MAIN
    for line in simpleSplit(printable(f"{card.title}, serial {card.serial}"), SEMIBOLD, 11, measure):
        yield _LabelLine(EDGE, y, line, SEMIBOLD, 11)
        y += LEADING * 11
    widths = _column_widths(card)
    starts = [EDGE + sum(widths[:n]) for n in range(len(COLUMNS))]
    for x, head in zip(starts, COLUMNS, strict=True):
        yield _LabelLine(x, y, head, REGULAR, HEAD)
    y += 0.5 * HEAD
    for rng in card.ranges:
        y += LEADING * MAIN
        for x, cell in zip(starts, _cells(rng), strict=False):
            yield _LabelLine(x, y, cell, BOLD, MAIN)
    y += 0.4 * MAIN
    for text in _warnings(card):
        for line in simpleSplit(text, SEMIBOLD, MAIN, measure):
            y += LEADING * MAIN
            yield _LabelLine(EDGE, y, line, SEMIBOLD, MAIN)
    y += 0.4 * MAIN
    due = "no due date stated" if card.due is None else f"due {card.due}"
    for text in (f"Verified {card.verified}, {due}", f"Certificate {card.certificate}, {card.laboratory}"):
        for line in simpleSplit(printable(text), REGULAR, FINE, measure):
            y += LEADING * FINE
            yield _LabelLine(EDGE, y, line, REGULAR, FINE)


def _warnings(card: MeterCard) -> list[str]:
    """What must be read before use, and what must not be done."""
    most = ", ".join(f"{current(rng.withstands)} on {rng.name}" for rng in card.ranges if rng.verified)
    said = [
        f"Unknown load: begin on {card.first}.",
        f"Never more than {most}.",
        "Turn the range switch with the load unplugged.",
    ]
    said += [f"{rng.name}: {rng.verdict}." for rng in card.ranges if rng.verified and rng.verdict != "pass"]
    said.append(not_verified(card))
    if card.counts_energy:
        said.append("Energy counted is worthless once the range was changed.")
    return [
        printable(text) for text in (*filter(None, said), "Never open the secondary. No reading proves a circuit dead.")
    ]


def _cells(rng: RangeCard) -> tuple[str, ...]:
    if rng.lowest is None or rng.highest is None:
        return printable(rng.name), "not verified: do not use"
    return printable(rng.name), f"× {rng.display_factor:g}", current(rng.lowest, 3), current(rng.highest, 3)


def _column_widths(card: MeterCard) -> list[float]:
    rows = [_cells(rng) for rng in card.ranges]
    found = []
    for n, head in enumerate(COLUMNS):
        # A range that is not verified says so across the columns.
        cells = [row[n] for row in rows if len(row) == len(COLUMNS) or n == 0]
        found.append(max(_width(head, REGULAR, HEAD), *(_width(cell, BOLD, MAIN) for cell in (*cells, ""))) + 4 * mm)
    return found


def _width(text: str, font: str, size: float) -> float:
    return float(stringWidth(text, font, size))
