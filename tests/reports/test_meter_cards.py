"""Label and lending card: in true size, legible, whole, and what they must say."""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import re
import xml.etree.ElementTree as ET

import pypdf
import pytest
from reportlab.graphics.shapes import Drawing, String
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfmetrics import stringWidth

from harness.results import MeterCard, RangeCard, Reason
from harness.safety.cautions import CAUTIONS
from harness.verified_meter.meter_card import meter_card
from harness.wording.claim_parts import not_verified
from reports.fonts import BOLD, REGULAR, SEMIBOLD
from reports.front_panel_label import MAIN, label, label_pdf, label_svg, narrowest
from reports.lending_card import lending_card
from tests.reports import sample_results


def card(**changes: object) -> MeterCard:
    found = meter_card(sample_results.passing(), "12AB-34CD-56EF", dt.date(2026, 3, 2), dt.date(2027, 3, 31))
    return dataclasses.replace(found, **changes)  # type: ignore[arg-type]


def many(count: int) -> MeterCard:
    ranges = card().ranges
    return card(ranges=tuple(dataclasses.replace(ranges[n % len(ranges)], name=f"x{n + 1}") for n in range(count)))


def strings(drawing: Drawing) -> list[String]:
    return [shape for shape in drawing.contents if isinstance(shape, String)]


def page(pdf: bytes) -> tuple[pypdf.PageObject, int]:
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    return reader.pages[0], len(reader.pages)


@pytest.mark.parametrize("width", [80, 100, 150])
def test_the_label_is_in_true_size_on_paper_and_on_screen(width: float) -> None:
    """A point of PDF is 1/72 inch of 25.4 mm (ISO 32000-1, 8.3.2.3); SVG takes millimetres (SVG 1.1, 4.2)."""
    drawing = label(card(), width * mm)
    sheet, pages = page(label_pdf(card(), drawing))
    assert pages == 1
    assert float(sheet.mediabox.width) / 72 * 25.4 == pytest.approx(width, abs=0.01)
    root = ET.fromstring(label_svg(drawing))
    assert root.attrib["width"] == f"{width:.2f}mm"
    left, top, wide, high = map(float, root.attrib["viewBox"].split())
    assert (left, top) == (0, 0)
    assert wide / high == pytest.approx(drawing.width / drawing.height, rel=1e-4)
    assert float(root.attrib["height"].removesuffix("mm")) == pytest.approx(
        float(sheet.mediabox.height) / 72 * 25.4, abs=0.01
    )


def test_what_must_be_read_at_arms_length_has_capitals_of_3_mm() -> None:
    """By the fonts' own tables, not by what the label takes them for. 3 mm: common practice, no published source."""
    main = [text for text in strings(label(card(), 100 * mm)) if text.fontSize == MAIN]
    assert {text.fontName for text in main} == {SEMIBOLD, BOLD}
    for text in main:
        capital = pdfmetrics.getFont(text.fontName).face.capHeight / 1000 * text.fontSize
        assert capital / mm >= 2.99
    said = " ".join(text.text.replace("\N{NO-BREAK SPACE}", " ") for text in main)
    for must in (
        "begin on x1.",
        "Never more than",
        "with the load unplugged",
        "Never open the secondary",
        "× 0.05",
        "20 mA",
    ):
        assert must in said


@pytest.mark.parametrize(
    "found", [card(), card(simulated=True, due=None, power_on=("x1",), energy_on=("x1",)), many(9)]
)
def test_nothing_leaves_the_label_or_lies_on_something_else(found: MeterCard) -> None:
    for width in (narrowest(found), 100 * mm, 140 * mm):
        drawing = label(found, max(width, narrowest(found)))
        boxes = []
        for text in strings(drawing):
            right = text.x + stringWidth(text.text, text.fontName, text.fontSize)
            boxes.append((text.x, text.y, right, text.y + 0.66 * text.fontSize))
        for left, low, right, high in boxes:
            assert 0 < left < right < drawing.width
            assert 0 < low < high < drawing.height
        for n, one in enumerate(boxes):
            for other in boxes[n + 1 :]:
                apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
                assert apart, (one, other)


def test_a_label_too_narrow_says_how_wide_it_must_be() -> None:
    least = narrowest(card()) / mm
    with pytest.raises(ValueError, match=rf"found 30 mm, expected {least:.0f} mm or more"):
        label(card(), 30 * mm)


def test_what_is_not_verified_or_not_real_says_so() -> None:
    ranges = card().ranges
    failed = RangeCard("x20", 0.05, "fail", None, None, 0.0, ())
    conditional = dataclasses.replace(ranges[1], verdict="conditional pass")
    found = card(ranges=(ranges[0], conditional, failed), simulated=True)
    said = [text.text for text in strings(label(found, 110 * mm))]
    assert "not verified: do not use" in said
    assert "SIMULATED: NO REAL METER" in said
    assert f"{ranges[1].name}: conditional pass." in said
    assert not any("on x20" in text for text in said)
    assert "Unknown load: begin on x1." in said
    text = page(lending_card(found))[0].extract_text()
    assert "not verified as conforming: do not use it" in " ".join(text.split())
    assert "simulated bench: no real meter" in text


def test_a_register_of_energy_is_spoken_of_where_there_is_one() -> None:
    for counts in (False, True):
        found = card(counts_energy=counts)
        label_says = any("worthless once the range was changed" in t.text for t in strings(label(found, 200 * mm)))
        card_says = "The energy register counts what the display shows" in " ".join(
            page(lending_card(found))[0].extract_text().split()
        )
        assert (label_says, card_says) == (counts, counts)


@pytest.mark.parametrize(
    ("power", "energy", "told"),
    [
        ((), (), "Power and energy are not verified."),
        (("x1", "x4", "x20"), (), "Energy is not verified."),
        (("x1",), ("x1",), "Power is verified on x1 alone. Energy is verified on x1 alone."),
        (("x1", "x4", "x20"), ("x1", "x4", "x20"), ""),
    ],
)
def test_power_and_energy_are_spoken_of_range_by_range(
    power: tuple[str, ...], energy: tuple[str, ...], told: str
) -> None:
    assert not_verified(card(power_on=power, energy_on=energy)) == told


def test_what_nothing_protects_is_told_to_whoever_borrows_it() -> None:
    found = card(
        unprotected=(Reason.of("unprotected-input", "x20", current=0.104, rated=0.04, supply="supply socket"),)
    )
    text = " ".join(page(lending_card(found))[0].extract_text().split())
    assert (
        "Not protected: x20: nothing stated protects the meter's input, rated 40 mA, from 104 mA that the supply socket"
        in text
    )


def test_what_is_wrong_on_paper_is_told_to_whoever_borrows_it() -> None:
    found = card(
        wrong_on_paper=(
            Reason.of("wrong-on-paper", "x4", finding="the switch is rated 2 A, and the socket lets 13 A flow"),
        )
    )
    text = " ".join(page(lending_card(found))[0].extract_text().split())
    assert "Wrong: x4: on paper, the switch is rated 2 A, and the socket lets 13 A flow." in text


def test_a_due_date_is_the_one_stated() -> None:
    for found, told in ((card(), "due 2027-03-31"), (card(due=None), "no due date stated")):
        assert any(told in text.text for text in strings(label(found, 100 * mm)))
        assert told in " ".join(page(lending_card(found))[0].extract_text().split())


@pytest.mark.parametrize("count", [1, 3, 10])
def test_the_lending_card_is_one_page_with_every_range_and_every_caution(count: int) -> None:
    sheet, pages = page(lending_card(many(count)))
    assert pages == 1
    text = " ".join(sheet.extract_text().split())
    for caution in CAUTIONS:
        assert re.sub(r"\s", "", caution) in re.sub(r"\s", "", text)
    assert all(f"x{n + 1} " in text for n in range(count))


def test_type_in_the_drawing_is_that_of_the_reports() -> None:
    assert b"SourceSansPro" not in label_svg(label(card(), 100 * mm))
    assert {text.fontName for text in strings(label(card(), 100 * mm))} <= {REGULAR, SEMIBOLD, BOLD}
