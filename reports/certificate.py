"""The certificate: a PDF made from results and nothing else, byte for byte the same for the same results.

Content after ISO/IEC 17025:2017, 7.8.2 (reports), 7.8.4 (calibration certificates), 7.8.6 (conformity).
"""

import io
from typing import Any

from reportlab import rl_config
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from harness.results import Results
from harness.wording.results_file import to_json
from reports.beyond_ratio_sections import beyond_ratio_sections
from reports.first_page import certificate_number, device_title, front, meter_under_test
from reports.fonts import REGULAR, SEMIBOLD, printable
from reports.likely_causes import likely_causes
from reports.method_and_conditions import basis, standing
from reports.page_style import INK, MARGIN, MEASURE, PAGE_HEIGHT, PAGE_WIDTH, QUIET, RULE, WHITE, paper
from reports.power_sections import power_sections
from reports.range_sections import range_sections
from reports.range_summary import summary_of_ranges
from reports.waveform_section import influence_of_waveforms

SIMULATED = "Simulated bench: not evidence about any real meter"

_HEAD = 27 * mm
_FOOT = 22 * mm


def certificate(results: Results, written: str = "") -> bytes:
    """The certificate of `results`: an A4 PDF. Raises ValueError when a number to be printed is not finite.

    `written`: results.json, where there is one already; its digest is the certificate's number.
    """
    # Written in bytes: spelled out in printable characters, as for the mail of old, it is a quarter longer and takes its time.
    rl_config.useA85 = 0
    number = certificate_number(written or to_json(results))
    content = io.BytesIO()
    document = paper(
        content,
        f"Verification certificate {number}",
        _HEAD,
        _FOOT,
        author=results.run.laboratory,
        subject=device_title(results),
        creator=results.run.evaluated_by,
        producer=results.run.evaluated_by,
    )
    middle = (
        summary_of_ranges,
        likely_causes,
        meter_under_test,
        basis,
        range_sections,
        power_sections,
        influence_of_waveforms,
        beyond_ratio_sections,
    )
    story = [*front(results, number)]
    story += [part for section in middle for part in section(results)]
    story += standing(results, number)
    document.build(story, canvasmaker=_stamped_canvas(results, number))
    return content.getvalue()


def _stamped_canvas(results: Results, number: str) -> type[Canvas]:
    """A canvas that holds its pages back until their count is known, then stamps each."""
    subject = printable(device_title(results))

    class StampedCanvas(Canvas):
        def __init__(self, *arguments: Any, **options: Any) -> None:
            super().__init__(*arguments, **options)
            self._held: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self._held.append(dict(self.__dict__))
            # A page is held back without being written until their number is known; reportlab has no public word for that.
            self._startPage()  # type: ignore[attr-defined]

        def save(self) -> None:
            pages = list(self._held)
            for n, page in enumerate(pages, 1):
                self.__dict__.update(page)
                _stamp(self, n, len(pages), number, subject, results.run.simulated)
                super().showPage()
            super().save()

    return StampedCanvas


def _stamp(canvas: Canvas, page: int, pages: int, number: str, subject: str, simulated: bool) -> None:
    """Print head and foot of a page: certificate, page number, and whether anything real was measured."""
    right = PAGE_WIDTH - MARGIN
    canvas.setFillColor(QUIET)
    canvas.setStrokeColor(RULE)
    canvas.setLineWidth(0.4)
    canvas.setFont(REGULAR, 8)
    canvas.line(MARGIN, _FOOT - 5 * mm, right, _FOOT - 5 * mm)
    canvas.drawString(MARGIN, _FOOT - 9 * mm, f"Verification certificate {number}")
    canvas.drawRightString(right, _FOOT - 9 * mm, f"page {page} of {pages}")
    if page > 1:
        canvas.drawString(MARGIN, PAGE_HEIGHT - _HEAD + 6 * mm, _shortened(canvas, subject, MEASURE))
    if simulated:
        canvas.setFillColor(INK)
        canvas.rect(0, PAGE_HEIGHT - 11 * mm, PAGE_WIDTH, 11 * mm, stroke=0, fill=1)
        canvas.setFillColor(WHITE)
        canvas.setFont(SEMIBOLD, 11)
        canvas.drawCentredString(PAGE_WIDTH / 2, PAGE_HEIGHT - 7.2 * mm, SIMULATED)


def _shortened(canvas: Canvas, text: str, width: float) -> str:
    whole = text
    while canvas.stringWidth(text, REGULAR, 8) > width:
        whole = whole[:-1]
        text = f"{whole}…"
    return text
