"""Paper, fonts and tables of a certificate, and signs that its fonts lack."""

import dataclasses
import io
import re
from html import escape

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pypdf import PdfReader
from reportlab.platypus import Paragraph

from reports.fonts import printable
from reports.page_style import STYLES, prose
from tests.reports import sample_results
from tests.reports.paper_text import pages_of, printed
from tests.reports.sample_results import MAKERS, Maker


@pytest.mark.parametrize("make", MAKERS)
def test_every_font_is_embedded_and_of_the_one_family(make: Maker) -> None:
    content = printed(make())
    assert b"Helvetica" not in content
    names = set()
    for page in PdfReader(io.BytesIO(content)).pages:
        for reference in page["/Resources"]["/Font"].values():
            font = reference.get_object()
            names.add(font["/BaseFont"].split("+")[1])
            assert "/FontFile2" in font["/FontDescriptor"]
    assert names <= {"SourceSansPro-Regular", "SourceSansPro-Semibold", "SourceSansPro-Bold"}
    assert "SourceSansPro-Regular" in names


def test_pages_are_a4() -> None:
    """ISO 216: 210 mm by 297 mm."""
    for page in PdfReader(io.BytesIO(printed(sample_results.passing()))).pages:
        assert float(page.mediabox.width) / 72 * 25.4 == pytest.approx(210, abs=0.1)
        assert float(page.mediabox.height) / 72 * 25.4 == pytest.approx(297, abs=0.1)


@pytest.mark.parametrize("make", MAKERS)
def test_the_head_of_a_table_is_repeated_and_no_range_is_parted_from_its_table(make: Maker) -> None:
    for page in pages_of(make()):
        rows = re.search(r"^(rising|falling|single)\s", page, re.MULTILINE)
        headed = re.search(r"Direction\s+Reference", page)
        assert bool(rows) == bool(headed)


def test_a_long_table_goes_over_pages_under_a_repeated_head() -> None:
    results = sample_results.passing()
    long = dataclasses.replace(results.ranges[0], points=results.ranges[0].points * 9)
    pages = pages_of(dataclasses.replace(results, ranges=(long,)))
    reached = [page for page in pages if re.search(r"^(rising|falling)\s", page, re.MULTILINE)]
    assert len(reached) >= 3
    assert all(re.search(r"Direction\s+Reference", page) for page in reached)


def test_markup_in_a_users_text_is_printed_as_it_stands() -> None:
    results = sample_results.passing()
    device = dataclasses.replace(results.device, owner="<b>R & D</b> &amp; Sons")
    assert "<b>R & D</b> &amp; Sons" in "".join(pages_of(dataclasses.replace(results, device=device)))


@given(st.text(st.characters(exclude_categories=("Cs",)), max_size=40), st.sampled_from(sorted(STYLES)))
@example("  two\tblanks  and\u00a0one that holds \u00a0", "body")
@example("a < b & c &amp; <br/>", "head right")
@example("", "body")
def test_prose_is_set_as_reportlab_sets_its_markup(text: str, style: str) -> None:
    """The fragments that reportlab's own parser makes of the escaped text."""
    parsed = Paragraph(escape(printable(text), quote=False).replace("\n", "<br/>"), STYLES[style])
    made = prose(text, style)
    assert [vars(fragment) for fragment in made.frags] == [vars(fragment) for fragment in parsed.frags]
    assert made.style is parsed.style


def test_signs_the_family_lacks_are_written_out_and_composed_ones_kept() -> None:
    assert printable("Zähler 漢") == "Z\u00e4hler [U+6F22]"
