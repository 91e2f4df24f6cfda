"""The type family of every report, embedded in the file: Source Sans Pro from package `font-source-sans-pro`.

Its figures are tabular and its minus sign is as wide as a figure, so columns of numbers align as they stand.
"""

from __future__ import annotations

import functools
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reportlab.pdfbase.ttfonts import TTFont

REGULAR = "SourceSansPro-Regular"
SEMIBOLD = "SourceSansPro-Semibold"
BOLD = "SourceSansPro-Bold"


@functools.cache
def register() -> TTFont:
    """Register the three weights with reportlab, once a process; return the regular weight. TrueType, since reportlab embeds no OpenType outlines."""
    from font_source_sans_pro import font_directory
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    regular, *others = (TTFont(n, str(Path(font_directory) / f"{n}.ttf")) for n in (REGULAR, SEMIBOLD, BOLD))
    for font in (regular, *others):
        pdfmetrics.registerFont(font)
    # the family holds no italic with the signs needed: both slants are the upright
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=SEMIBOLD, italic=REGULAR, boldItalic=SEMIBOLD)
    return regular


def printable(text: str) -> str:
    """`text` with every character the family lacks written out, as in `[U+6F22]`, never as an empty box."""
    glyphs = register().face.charToGlyph
    composed = unicodedata.normalize("NFC", text).replace("\N{THIN SPACE}", "\N{NO-BREAK SPACE}")
    return "".join(c if c.isspace() or ord(c) in glyphs else f"[U+{ord(c):04X}]" for c in composed)
