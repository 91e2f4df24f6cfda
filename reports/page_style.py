"""The look of a certificate: colours, type, rules, and the few kinds of block its pages are set from."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from typing import IO, Any, Generic, TypeVar

from reportlab.lib.colors import HexColor, white
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph, Spacer, Table
from reportlab.platypus.paragraph import cleanBlockQuotedText

from reports.fonts import BOLD, REGULAR, SEMIBOLD, printable, register

ACCENT = HexColor(0x14535E)
INK = HexColor(0x1B2124)
QUIET = HexColor(0x5A656B)
RULE = HexColor(0xC5CDD0)
TINT = HexColor(0xEEF3F3)
WHITE = white

PAGE_WIDTH, PAGE_HEIGHT = A4
MARGIN = 20 * mm
MEASURE = PAGE_WIDTH - 2 * MARGIN

_body = ParagraphStyle("body", fontName=REGULAR, fontSize=9.2, leading=12.6, textColor=INK, splitLongWords=1)


def _style(name: str, **changes: Any) -> ParagraphStyle:
    return ParagraphStyle(name, parent=_body, **changes)


STYLES: dict[str, ParagraphStyle] = {
    "body": _body,
    "strong": _style("strong", fontName=SEMIBOLD),
    "small": _style("small", fontSize=8, leading=10.6, textColor=QUIET),
    "label": _style("label", fontSize=8.4, leading=12.6, textColor=QUIET),
    "title": _style("title", fontName=BOLD, fontSize=25, leading=29, textColor=ACCENT),
    "loud": _style("loud", fontName=BOLD, fontSize=25, leading=29),
    "subtitle": _style("subtitle", fontSize=12, leading=16, textColor=INK),
    "heading": _style("heading", fontName=SEMIBOLD, fontSize=13, leading=16.5, textColor=ACCENT),
    "subheading": _style("subheading", fontName=SEMIBOLD, fontSize=9.6, leading=13, textColor=INK),
    "laboratory": _style("laboratory", fontName=SEMIBOLD, fontSize=11.5, leading=14.5),
    "number": _style("number", fontName=SEMIBOLD, fontSize=11.5, leading=14.5, alignment=TA_RIGHT),
    "label right": _style("label right", fontSize=8.4, leading=12.6, textColor=QUIET, alignment=TA_RIGHT),
    "verdict": _style("verdict", fontName=BOLD, fontSize=17, leading=17, textColor=WHITE),
    "qualifier": _style("qualifier", fontName=BOLD, fontSize=11, leading=14, textColor=WHITE),
    "statement": _style("statement", fontName=SEMIBOLD, fontSize=10.6, leading=14),
    "cell": _style("cell", fontSize=8.6, leading=11),
    "strong cell": _style("strong cell", fontName=SEMIBOLD, fontSize=8.6, leading=11),
    "head": _style("head", fontName=SEMIBOLD, fontSize=7.8, leading=9.6, textColor=QUIET),
    "head right": _style(
        "head right", fontName=SEMIBOLD, fontSize=7.8, leading=9.6, textColor=QUIET, alignment=TA_RIGHT
    ),
}


# set for every cell of every table: reportlab's default is a font that is not embedded
WHOLE = (0, 0), (-1, -1)
"""Every cell of a table, in a command of its style."""
FONT = ("FONT", *WHOLE, REGULAR, 8.6, 11)
TIGHT: list[Any] = [FONT, ("VALIGN", *WHOLE, "TOP"), ("LEFTPADDING", *WHOLE, 0), ("RIGHTPADDING", *WHOLE, 0)]


def _above_and_below(above: float, below: float) -> list[Any]:
    """Space in points above and below the content of every cell."""
    return [("TOPPADDING", *WHOLE, above), ("BOTTOMPADDING", *WHOLE, below)]


def paper(content: IO[bytes], title: str, head: float, foot: float, **about: Any) -> BaseDocTemplate:
    """An A4 document to be written into `content`, the same bytes each time; `head` and `foot` stay free on every page, in points."""
    register()
    document = BaseDocTemplate(
        content, pagesize=A4, invariant=1, initialFontName=REGULAR, title=title, lang="en", **about
    )
    frame = Frame(MARGIN, foot, MEASURE, PAGE_HEIGHT - head - foot, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame]))
    return document


class _Prose(Paragraph):
    """Keeps the lines it was broken into: a table asks for them several times at one width, and breaking takes time."""

    _broken: tuple[float, tuple[float, float]] | None = None
    """The width it was broken for, and the size it then had."""

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:
        # A paragraph that was to be split and could not be has lost its lines.
        if self._broken is None or self._broken[0] != aW or not hasattr(self, "blPara"):
            self._broken = aW, super().wrap(aW, aH)
        return self._broken[1]


def prose(text: str, style: str = "body") -> Paragraph:
    """`text` set in `style`, without markup; a line feed starts a line."""
    plain = printable(text)
    marked = escape(plain, quote=False).replace("\n", "<br/>")
    if marked != plain or not plain.strip():
        return _Prose(marked, STYLES[style])
    # Looking for markup where there is none takes longer than all else about it.
    return _Prose(plain, STYLES[style], frags=[_fragment(style).clone(text=cleanBlockQuotedText(plain))])


@cache
def _fragment(style: str) -> Any:
    """What reportlab makes of a text in `style`."""
    return Paragraph("text", STYLES[style]).frags[0]


def space(millimetres: float) -> Spacer:
    """Vertical white space; it vanishes at the top of a page."""
    return Spacer(1, millimetres * mm)


def heading(text: str) -> Flowable:
    """A section heading under a fine rule; it stays with what follows."""
    style = [FONT, ("LINEABOVE", *WHOLE, 0.9, ACCENT), ("LEFTPADDING", *WHOLE, 0), *_above_and_below(4, 2)]
    cells = [[prose(text, "heading")]]
    table = Table(cells, colWidths=[MEASURE], style=style, spaceBefore=6 * mm, spaceAfter=1.5 * mm)
    table.keepWithNext = True
    return table


def facts(rows: Sequence[tuple[str, str]], width: float = MEASURE, label_width: float = 36 * mm) -> Flowable:
    """Labels and their values, one a row; rows without a value are left out."""
    kept = [(prose(label, "label"), prose(text)) for label, text in rows if text]
    if not kept:
        return Spacer(1, 0)
    style = [*TIGHT, *_above_and_below(0.6, 0.9)]
    return Table(kept, colWidths=[label_width, width - label_width], style=style, hAlign="LEFT", splitInRow=1)


GUTTER = 8 * mm
HALF = (MEASURE - GUTTER) / 2


def columns(left: Flowable, right: Flowable) -> Flowable:
    return Table([[left, "", right]], colWidths=[HALF, GUTTER, HALF], style=[*TIGHT, *_above_and_below(0, 0)])


Row = TypeVar("Row")


@dataclass(frozen=True)
class Column(Generic[Row]):
    """A column of a table: its head, its width beside those of the others, and its text for a row. `numeric`: set on the decimal point."""

    head: str
    width: float
    text: Callable[[Row], str | Flowable]
    numeric: bool = False


def side_by_side(texts: Callable[[Row], Sequence[str]], *columns: tuple[str, float]) -> list[Column[Row]]:
    """Numeric columns, each a head and a width, filled by what `texts` gives together for a row: a value and its U, ..."""

    def nth(n: int) -> Callable[[Row], str]:
        return lambda row: texts(row)[n]

    return [Column(head, width, nth(n), numeric=True) for n, (head, width) in enumerate(columns)]


def listed(
    first: tuple[str, float],
    columns: Sequence[Column[Row]],
    rows: Sequence[tuple[str, Row]],
    bold_rows: Sequence[int] = (),
) -> Table:
    """A table as `ruled`, as wide as the page, whose rows begin with a name, in a column of its own: `first` is its head and width."""
    widths = (first[1], *(column.width for column in columns))
    return ruled(
        [first[0], *(column.head for column in columns)],
        [[name, *(column.text(row) for column in columns)] for name, row in rows],
        [width * MEASURE / sum(widths) for width in widths],
        numeric=[n for n, column in enumerate(columns, 1) if column.numeric],
        bold_rows=bold_rows,
    )


def ruled(
    head: Sequence[str],
    rows: Sequence[Sequence[str | Flowable]],
    widths: Sequence[float],
    numeric: Sequence[int] = (),
    bold_rows: Sequence[int] = (),
    keep_with_head: int = 3,
) -> Table:
    """A table with fine rules; its head is repeated on every page it reaches.

    `widths` in points. Texts in the `numeric` columns stand on one decimal point, other texts wrap. The first
    `keep_with_head` and the last two rows are never parted.
    """
    head_cells = [prose(text, "head right" if i in numeric else "head") for i, text in enumerate(head)]
    body = [
        [
            cell
            if i in numeric or not isinstance(cell, str)
            else prose(cell, "strong cell" if n in bold_rows else "cell")
            for i, cell in enumerate(row)
        ]
        for n, row in enumerate(rows)
    ]
    table = Table([head_cells, *body], colWidths=list(widths), repeatRows=1, hAlign="LEFT", splitInRow=1)
    commands: list[Any] = [
        *TIGHT,
        ("TEXTCOLOR", (0, 1), (-1, -1), INK),
        *_above_and_below(2.1, 2.6),
        ("RIGHTPADDING", *WHOLE, 5),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.7, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, RULE),
        ("NOSPLIT", (0, 0), (0, min(keep_with_head, len(rows)))),
    ]
    if len(rows) > keep_with_head + 2:
        commands.append(("NOSPLIT", (0, -2), (0, -1)))
    commands += [("FONT", (0, n + 1), (-1, n + 1), SEMIBOLD, 8.6, 11) for n in bold_rows]
    for column in numeric:
        # reportlab's own decimal alignment draws the two sides of the point apart, and they are copied apart
        behind = [_behind_the_point(str(row[column]), n in bold_rows) for n, row in enumerate(rows)]
        commands.append(("ALIGN", (column, 1), (column, -1), "RIGHT"))
        for n, width in enumerate(behind, 1):
            commands.append(("RIGHTPADDING", (column, n), (column, n), 5 + max(behind) - width))
        if column + 1 < len(head) and column + 1 not in numeric:
            commands.append(("LEFTPADDING", (column + 1, 0), (column + 1, -1), 9))
    table.setStyle(commands)
    return table


def _behind_the_point(text: str, bold: bool) -> float:
    """Width in points of what stands right of the whole figures."""
    return stringWidth(text[text.find(".") :], SEMIBOLD if bold else REGULAR, 8.6) if "." in text else 0.0


INSET = [FONT, ("LEFTPADDING", *WHOLE, 10), ("RIGHTPADDING", *WHOLE, 10), *_above_and_below(2, 2)]
"""Style of a table that is a coloured or framed block."""


def panel(word: str, accent: Any, lines: Sequence[Flowable]) -> Flowable:
    """One word on solid colour, after a qualifying word in smaller print, with its meaning beside them."""
    badge = 34 * mm
    *qualifiers, last = word.split()
    words = [*(prose(text.capitalize(), "qualifier") for text in qualifiers), prose(last.capitalize(), "verdict")]
    rows: list[list[Any]] = [[words, lines[0]], *[["", line] for line in lines[1:]]]
    style = [
        *INSET,
        ("BACKGROUND", (0, 0), (0, -1), accent),
        ("BACKGROUND", (1, 0), (1, -1), TINT),
        ("VALIGN", *WHOLE, "TOP"),
        ("TOPPADDING", (0, 0), (0, 0), 6),
        ("TOPPADDING", (1, 0), (1, 0), 9),
        ("BOTTOMPADDING", (0, -1), (-1, -1), 9),
    ]
    return Table(rows, colWidths=[badge, MEASURE - badge], style=style, splitInRow=1)


def boxed(lines: Sequence[Flowable]) -> Flowable:
    """Blocks inside a plain dark frame, for what must not be missed."""
    style = [
        *INSET,
        ("BOX", *WHOLE, 1.2, INK),
        ("TOPPADDING", (0, 0), (-1, 0), 6),
        ("BOTTOMPADDING", (0, -1), (-1, -1), 7),
    ]
    return Table([[line] for line in lines], colWidths=[MEASURE], style=style, splitInRow=1)
