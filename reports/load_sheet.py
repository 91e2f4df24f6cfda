"""What a load draws, measured with a verified meter: one page."""

import io
from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from harness.core.rounding import NO_BREAK, current, current_pair, percent, plus_minus
from harness.results import LowPower, MeasuredCycles, MeasuredLoad, Stability, Stated
from harness.safety.cautions import CAUTIONS
from reports.page_style import (
    Column,
    boxed,
    facts,
    heading,
    listed,
    paper,
    prose,
)

TOP = 16 * mm
WATT_HOURS = 3600.0


UNSTEADY = "The load was not steady while it was read. The values are means of these readings, not of its use."


def load_sheet(found: MeasuredLoad) -> bytes:
    """The result as an A4 page."""
    content = io.BytesIO()
    document = paper(content, f"Measured load: {found.load}", TOP, TOP)
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
    if found.cycles is not None:
        energy, mean = found.cycles.energy, found.cycles.mean_power
        watt_hours = (energy.value / WATT_HOURS, energy.expanded_uncertainty / WATT_HOURS)
        rows.append((f"Energy of {_cycles(found.cycles)}", energy, current_pair(*watt_hours, "Wh")))
        rows.append(("Mean power over them", mean, current_pair(mean.value, mean.expanded_uncertainty, "W")))
    if found.energy_per_year is not None:
        year = found.energy_per_year
        kilo = 1000 * WATT_HOURS
        text = f"{plus_minus(year.value / kilo, year.expanded_uncertainty / kilo)}{NO_BREAK}kWh"
        rows.append(("Energy in a year, if it goes on so", year, text))
    return rows


def _cycles(found: MeasuredCycles) -> str:
    return f"{found.cycles} whole cycle{'s' * (found.cycles > 1)} in {found.seconds / 60:.1f}{NO_BREAK}min"


def remarks(found: MeasuredLoad) -> list[str]:
    """What is to be said of the values: steadiness, what the standard of low power asks, what was taken off, what is not stated."""
    said = []
    if not found.steady:
        said.append(
            "The load was not steady while it was read. The values are means of these readings, not of its use."
        )
    if found.own_current:
        said.append(
            f"With nothing plugged in the meter showed {current(found.own_current, 3)} and {current(found.own_power, 3, 'W')}. The power is taken off whole, "
            "the current as far as power and voltage tell how the two add; the rest is in its uncertainty."
        )
    if found.low_power is not None:
        said.append(_low_power(found.low_power))
    if found.stability is not None:
        said.append(_stability(found.stability))
    return [*said, *(f"Not stated: {text}." for text in found.not_stated)]


def _low_power(found: LowPower) -> str:
    permitted = current(found.permitted, 3, "W")
    if found.maximum_current_ratio is None:
        if found.sufficient:
            return f"The uncertainty of power is good enough for this load by IEC 62301, whatever its crest factor: no more than {permitted} ({_MEMORY})."
        return f"Whether the uncertainty of power is good enough for this load by IEC 62301 depends on its crest factor, which is unknown ({_MEMORY})."
    enough = "good enough" if found.sufficient else "NOT good enough"
    return (
        f"At a crest factor of {found.crest_factor:g}, as stated, the maximum current ratio is {found.maximum_current_ratio:.1f}: the uncertainty of power is "
        f"{enough} for this load by IEC 62301, which permits {permitted} ({_MEMORY})."
    )


def _stability(found: Stability) -> str:
    slope, permitted = (f"{value * 3.6e6:.3g}{NO_BREAK}mW/h" for value in (abs(found.slope), found.permitted))
    outcome = {
        "stable": "the power was stable",
        "not stable": "the power was NOT stable",
        "not resolved": "whether the power was stable cannot be told, since a step of the display in that time is more: read for longer",
    }[found.outcome]
    return (
        f"The last {found.seconds / 60:.0f}{NO_BREAK}min ({found.readings} readings) have a slope of {slope}; IEC 62301 permits {permitted} ({_MEMORY}): "
        f"{outcome}."
    )


_MEMORY = "value from memory"


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
        f"{found.coverage_probability * 100:g}{NO_BREAK}%; a bound of unknown sign is added in full (JCGM 100:2008, F.2.4.5), and k is U over u.",
        "small",
    )
    for text in remarks(found):
        yield prose(text, "strong" if "NOT" in text or text == UNSTEADY else "body")


def _limits(found: MeasuredLoad) -> Iterator[Flowable]:
    yield heading("What the uncertainties do not hold")
    for text in found.not_included:
        yield prose(text[0].upper() + text[1:] + ".")
    yield prose(
        "IEC 62301 asks for more than is judged here: supply, temperature, a reading a second, and a power analyser's own demands."
    )
    yield heading("Cautions")
    yield prose(" ".join(CAUTIONS), "small")
