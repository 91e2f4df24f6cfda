"""`ratioproof card`: a label for the front panel of a verified meter, and a card to lend it with."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.commands.arguments import add_command, add_out, quantity

if TYPE_CHECKING:
    import datetime as dt

LABEL_PDF, LABEL_SVG, LENDING = "front-panel-label.pdf", "front-panel-label.svg", "lending-card.pdf"

STATUS = """exit status:
  0  label and card were written
  2  error in a file or on the command line, or nothing was verified
  5  defect of the program or of its installation
(1, 3 and 4, NOT SAFE, cannot occur: nothing is judged and nothing is energised)"""


@dataclass(frozen=True)
class CardOptions:
    """`out`: where label and card go; `due`: until when the verification holds, a date; `width` of the label with its unit."""

    results: Path
    out: Path | None = None
    due: str | None = None
    width: str = "100 mm"


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "card",
        "write a label for the front panel of a verified meter, and a card to lend it with",
        (CardOptions, card),
        ["ratioproof card results.json", 'ratioproof card results.json --due 2027-11-30 --width "90 mm" --out cards'],
        STATUS,
    )
    parser.add_argument("results", type=Path, metavar="RESULTS", help="results.json of the verification")
    add_out(parser, "label and card (default: the folder of RESULTS)")
    parser.add_argument(
        "--due", metavar="DATE", help="date the next verification is due, as 2027-11-30 (default: none is stated)"
    )
    parser.add_argument(
        "--width", default="100 mm", metavar="WIDTH", help="width of the label in true size (default: %(default)s)"
    )


def card(options: CardOptions) -> int:
    """Write the label, as PDF and SVG, and the lending card; 0. Raises UserError, also where a file cannot be written."""
    from harness.commands.reading import date_of, finished
    from harness.core.atomic_files import write_together
    from harness.core.errors import UserError
    from harness.core.output import STANDARD_OUTPUT, tell
    from harness.files.loading import read_text
    from harness.verified_meter.meter_card import meter_card
    from harness.wording.results_file import from_json
    from reports.first_page import certificate_number
    from reports.front_panel_label import label, label_pdf, label_svg
    from reports.lending_card import lending_card

    text = read_text(options.results)
    results = from_json(text, str(options.results))
    finished(results.run.finished, options.results)
    verified = date_of(results.run.finished)
    found = meter_card(results, certificate_number(text), verified, _due(options.due, verified))
    try:
        drawing = label(found, _points(options.width))
    except ValueError as failure:
        raise UserError(f"--width: {failure}") from None
    contents = {
        LABEL_PDF: label_pdf(found, drawing),
        LABEL_SVG: label_svg(drawing),
        LENDING: lending_card(found),
    }
    folder = options.out or options.results.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_together(folder, contents)
    except OSError as failure:
        raise UserError(f"{failure.filename or folder}: {failure.strerror}") from None
    size = f"{drawing.width / _MILLIMETRE:.0f} x {drawing.height / _MILLIMETRE:.0f} mm"
    tell(
        STANDARD_OUTPUT,
        [
            f"{folder / LABEL_PDF} and {LABEL_SVG}: {size}; print them in true size, without fitting to the page",
            f"{folder / LENDING}",
            *(["these results are of a simulated bench, and label and card say so"] if found.simulated else []),
        ],
    )
    return 0


_MILLIMETRE = 72 / 25.4
"""Points of a printer (1/72 inch) in a millimetre."""


def _points(text: str) -> float:
    width = quantity("--width", text, "m", lambda metres: 0.02 <= metres <= 0.5, "20 mm to 500 mm")
    return width * 1000 * _MILLIMETRE


def _due(text: str | None, verified: "dt.date") -> "dt.date | None":
    import datetime as dt

    from harness.core.errors import UserError

    if text is None:
        return None
    try:
        due = dt.date.fromisoformat(text)
    except ValueError:
        raise UserError(f"--due: found {text!r}, expected a date such as 2027-11-30") from None
    if due <= verified:
        raise UserError(f"--due: found {text}, expected a date after the verification on {verified}")
    return due
