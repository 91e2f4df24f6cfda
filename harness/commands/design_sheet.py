"""The check on paper as a sheet on the terminal."""

import math
from pathlib import Path

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from harness.commands.console_sheet import WIDEST, ConsoleSheet
from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import format_quantity, format_seconds
from harness.design.check_result import DesignCheck, DesignFinding, amperes
from harness.design.required_turns import Wanted, wanted_text
from harness.safety.cautions import CAUTIONS, NOT_VERIFIED

LONGEST_MARK = 6
"""Characters that fit before a line of the sheet; the name of a longer range begins the line instead."""


def show_check(device_file: Path, sheet: DesignCheck, wanted: Wanted | None, console: Console) -> None:
    """Print everything `sheet` holds, and the turns that were asked for."""
    lines = ConsoleSheet(console)
    lines.title(f"{device_file}, check on paper: nothing was measured, no power is needed")
    width = min(console.width, WIDEST)
    lines.gap()
    console.print(_reach(sheet), width=width)
    for row in sheet.ranges:
        lines.dim(f"{row.name}: maximum test current {amperes(row.maximum_test_current)}, limited by {row.set_by}")
    lines.gap()
    console.print(_parts(sheet), width=width)
    lines.dim("heat of the turns a range adds, at maximum current with warm copper; - where the file lacks data")
    lines.gap()
    console.print(_peaks(sheet), width=width)
    lines.dim(
        "largest crest factor at the maximum test current, and at parts of it; the in-rush that the input (peak) and the fuses withstand; "
        "- where the file lacks data"
    )
    if sheet.neighbours:
        lines.heading("Neighbours")
    for pair in sheet.neighbours:
        lines.note(f"{pair.finer} and {pair.coarser}: {_meeting(pair.claimed_from, pair.claimed_to)} claimed")
        lines.dim(f"{_meeting(pair.readable_from, pair.readable_to)} readable", "    ")
    if sheet.ratio_error is not None and sheet.phase_displacement is not None:
        lines.heading("Transformer")
        minutes = sheet.phase_displacement * MINUTES_PER_RADIAN
        lines.note(f"expected ratio error {sheet.ratio_error * 100:+.2g} %, phase displacement {minutes:.3g} min")
    if wanted is not None:
        lines.heading(f"Turns for {amperes(wanted.asked)}")
        for text in wanted_text(wanted):
            lines.note(text)
    _show_findings(lines, sheet)


def _meeting(low: float, high: float) -> str:
    if low > high:
        return f"gap from {amperes(high)} to {amperes(low)}"
    return f"{amperes(low)} to {amperes(high)} both"


def _table(*columns: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), show_edge=False, pad_edge=False)
    for number, column in enumerate(columns):
        table.add_column(column, justify="left" if number == 0 else "right")
    return table


def _reach(sheet: DesignCheck) -> Table:
    table = _table("range", "turns", "reads from", "claimed", "may carry", "then in the secondary")
    for row in sheet.ranges:
        table.add_row(
            Text(row.name),
            str(row.turns),
            amperes(row.smallest_readable),
            f"{amperes(row.claimed_from)} to {amperes(row.claimed_to)}",
            amperes(row.maximum_test_current),
            amperes(row.secondary_current),
        )
    return table


def _parts(sheet: DesignCheck) -> Table:
    table = _table("range", "cord rating", "heat", "fuse margin", "supply drives", "fuse melts in")
    for row in sheet.ranges:
        window = row.melting_window
        table.add_row(
            Text(row.name),
            _or_unknown(row.conductor_rating, "A"),
            _or_unknown(row.winding_heat, "W"),
            "-" if row.fuse_margin is None else f"{row.fuse_margin:.2f}",
            _or_unknown(row.supply_secondary_current, "A"),
            "-" if window is None else _window(*window),
        )
    return table


def _peaks(sheet: DesignCheck) -> Table:
    table = _table("range", "crest factor", "at half", "at a tenth", "in-rush", "secondary fuse", "fuse")
    for row in sheet.ranges:
        at = {round(current / row.maximum_test_current, 6): crest for current, crest in row.peaks.crest_factors}
        withstood = {fuse.fuse: fuse.i2t for fuse in row.peaks.inrush_i2t}
        secondary = withstood.pop("secondary fuse", None)
        primary = None if None in withstood.values() else min((i2t for i2t in withstood.values() if i2t), default=None)
        table.add_row(
            Text(row.name),
            f"{at[1.0]:.3g}",
            f"{at[0.5]:.3g}",
            f"{at[0.1]:.3g}",
            amperes(row.peaks.inrush_peak),
            "-" if secondary is None else f"{secondary:.3g} A2s",
            "-" if primary is None else f"{primary:.3g} A2s",
        )
    return table


def _or_unknown(value: float | None, unit: str) -> str:
    return "-" if value is None else format_quantity(value, unit, 3)


def _window(shortest: float, longest: float) -> str:
    if math.isinf(longest):
        return f"{format_seconds(shortest)} or more" if shortest else "not known"
    return f"{format_seconds(shortest) if shortest else '0'} to {format_seconds(longest)}"


_TITLES = {
    "in the way": "In the way of winding",
    "not protected": "Not protected in daily use (a run limits the current itself)",
    "not known": "Not known from the file",
    "worth knowing": "Worth knowing",
}


def _show_findings(lines: ConsoleSheet, sheet: DesignCheck) -> None:
    for grade, title in _TITLES.items():
        findings = [f for f in sheet.findings if f.grade == grade]
        if findings:
            lines.heading(title)
        for finding in findings:
            _show_finding(lines, finding)
    lines.gap()
    wrong, unprotected, unknown = (sheet.count(grade) for grade in ("in the way", "not protected", "not known"))
    if wrong:
        lines.bad(f"{wrong} in the way: correct before winding.", "NO")
    if not wrong:
        far = f", as far as the file tells ({unknown} left open above)" if unknown else ""
        lines.good(
            f"Nothing in the way on paper{far}. A verification shows it; this sheet computes from the file alone."
        )
    if unprotected:
        lines.bad(f"{unprotected} not protected: correct before daily use.", "NO")
    lines.heading("Cautions")
    for caution in (*CAUTIONS, NOT_VERIFIED):
        lines.good(caution, "-")


def _show_finding(lines: ConsoleSheet, finding: DesignFinding) -> None:
    mark, text = finding.range or "all", finding.text
    if len(mark) > LONGEST_MARK:
        mark, text = "", f"{mark}: {text}"
    (lines.bad if finding.grade in ("in the way", "not protected") else lines.good)(text, mark)
