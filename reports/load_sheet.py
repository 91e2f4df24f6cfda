"""What a load draws, measured with a verified meter: one page."""

import io
from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate

from harness.core.rounding import NO_BREAK, current_pair, percent, plus_minus
from harness.results import MeasuredLoad, Stated
from harness.safety.cautions import CAUTIONS
from reports.fonts import REGULAR, register
from reports.page_style import MARGIN, MEASURE, PAGE_HEIGHT, PAGE_WIDTH, Column, boxed, facts, heading, listed, prose

TOP = 16 * mm
WATT_HOURS = 3600.0


def load_sheet(found: MeasuredLoad) -> bytes:
    """The result as an A4 page."""
    register()
    content = io.BytesIO()
    document = BaseDocTemplate(
        content,
        pagesize=(PAGE_WIDTH, PAGE_HEIGHT),
        invariant=1,
        initialFontName=REGULAR,
        title=f"Measured load: {found.load}",
        lang="en",
    )
    frame = Frame(MARGIN, TOP, MEASURE, PAGE_HEIGHT - 2 * TOP, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame]))
    document.build([*_front(found), *_values(found), *_limits(found)])
    return content.getvalue()


def quantities(found: MeasuredLoad) -> list[tuple[str, Stated, str]]:
    """What was found: its name, the value, and the value with U as text."""
    rows = [("Current", found.current, current_pair(found.current.value, found.current.expanded_uncertainty))]
    for name, value, unit in (("Active power", found.power, "W"), ("Apparent power", found.apparent_power, "VA")):
        if value is not None:
            rows.append((name, value, current_pair(value.value, value.expanded_uncertainty, unit)))
    if found.power_factor is not None:
        pf = found.power_factor
        rows.append(("Power factor", pf, plus_minus(pf.value, pf.expanded_uncertainty)))
    if found.energy_per_year is not None:
        year = found.energy_per_year
        kilo = 1000 * WATT_HOURS
        text = f"{plus_minus(year.value / kilo, year.expanded_uncertainty / kilo)}{NO_BREAK}kWh"
        rows.append(("Energy in a year, if it goes on so", year, text))
    return rows


def _front(found: MeasuredLoad) -> Iterator[Flowable]:
    yield prose("Measured load", "title")
    yield prose(found.load, "subtitle")
    if found.simulated:
        yield boxed(
            [prose("The verification of this meter was simulated. These values say nothing of a real load.", "strong")]
        )
    yield facts(
        [
            ("Measured", f"{found.measured}{f', {found.operator}' if found.operator else ''}"),
            ("Meter", f"{found.meter}, serial {found.serial}"),
            ("Certificate", f"{found.certificate}, verified {found.verified}"),
            ("Voltage", _voltage(found)),
            ("Range", f"{found.range_name}, display times {found.display_factor:g}"),
            (
                "Readings",
                f"{len(found.currents)} in {found.seconds:.0f}{NO_BREAK}s, no further than {percent(found.spread)} from their mean",
            ),
        ]
    )


def _voltage(found: MeasuredLoad) -> str:
    if found.voltage is None or found.voltage_error is None:
        return ""
    return f"{found.voltage:g}{NO_BREAK}V, wrong by at most {found.voltage_error:g}{NO_BREAK}V, as the operator stated; not verified"


def _values(found: MeasuredLoad) -> Iterator[Flowable]:
    yield heading("What it draws")
    yield listed(
        ("quantity", 40),
        [
            Column("value and expanded uncertainty", 60, lambda row: row[1]),
            Column("k", 14, lambda row: f"{row[0].coverage_factor:.2f}", numeric=True),
        ],
        [(name, (value, text)) for name, value, text in quantities(found)],
    )
    yield prose(
        "Current and active power are corrected for the errors found in the verification. Expanded uncertainties for a coverage probability of "
        f"{found.coverage_probability * 100:g}{NO_BREAK}%.",
        "small",
    )
    if not found.steady:
        yield prose(
            "The load was not steady while it was read. The values are means of these readings, not of its use.",
            "strong",
        )
    for text in found.not_stated:
        yield prose(f"Not stated: {text}.")


def _limits(found: MeasuredLoad) -> Iterator[Flowable]:
    yield heading("What the uncertainties do not hold")
    for text in found.not_included:
        yield prose(text[0].upper() + text[1:] + ".")
    yield prose(
        "Steadiness is judged by these readings alone, not by the procedure of IEC 62301 for low power, which this is not."
    )
    yield heading("Cautions")
    yield prose(" ".join(CAUTIONS), "small")
