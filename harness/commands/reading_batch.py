"""A table of readings of a verified meter: the measured value of each load, as a table again (CSV, RFC 4180)."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.commands.shown_values import shown_together, shown_value
from harness.core.errors import UserError
from harness.core.quantities import WATT_HOUR
from harness.core.rounding import exact, for_terminal, round_pair, written
from harness.results import Results
from harness.verified_meter.corrected_readings import corrected_readings
from harness.verified_meter.measured_quantity import MeasuredReading

RANGE, SHOWS, LOAD, OVER = "range", "shows", "load", "over"

COLUMNS = (
    LOAD,
    RANGE,
    "quantity",
    "readings",
    "unit",
    "value",
    "expanded uncertainty",
    "coverage factor",
    "without correction",
    "expanded uncertainty without correction",
    "remark",
)


@dataclass(frozen=True)
class BatchRow:
    """One reading: its line in the file, the load it is of (empty: of its own), the range, what was shown, and the time of an energy."""

    line: int
    load: str
    range: str
    shows: str
    over: str = ""


def read_table(file: Path) -> tuple[list[BatchRow], list[str]]:
    """The rows of `file`, with commas or semicolons between its columns, and what is to be said of columns that are not read. Raises UserError."""
    # Here, since pandas takes a second to load and one reading needs none of it.
    import pandas

    from harness.files.loading import read_text

    first = read_text(file).partition("\n")[0]
    separator = ";" if ";" in first else ","
    try:
        with warnings.catch_warnings():
            # A row with more columns than the head.
            warnings.simplefilter("error", pandas.errors.ParserWarning)
            table = pandas.read_csv(
                file, sep=separator, dtype=str, keep_default_na=False, skip_blank_lines=False, index_col=False
            )
    except (ValueError, pandas.errors.ParserWarning) as failure:
        raise UserError(f"{file}: {' '.join(str(failure).split())}") from None
    table.columns = [str(name).strip() for name in table.columns]
    for name in (RANGE, SHOWS):
        if list(table.columns).count(name) != 1:
            raise UserError(f"{file}: found columns {', '.join(table.columns)}, expected one column {name}")
    empty = [""] * len(table)
    loads, times = (table[name] if name in table.columns else empty for name in (LOAD, OVER))
    rows = zip(loads, table[RANGE], table[SHOWS], times, strict=True)
    stripped = (BatchRow(number, *(cell.strip() for cell in cells)) for number, cells in enumerate(rows, 2))
    others = [name for name in table.columns if name not in (RANGE, SHOWS, LOAD, OVER)]
    said = [f"{file}: not read: column{'s' * (len(others) > 1)} {', '.join(others)}"] if others else []
    return [row for row in stripped if any((row.load, row.range, row.shows, row.over))], said


def measured_table(
    results: Results, rows: Sequence[BatchRow], drift: float, file: str
) -> tuple[str, list[str], list[str]]:
    """The measured values of every load, rounded as on a certificate, what is to be said of them, and why some loads have none.

    Rows of one load on one range are readings of one steady load, whatever their quantities. A load with a row that cannot be read has no value at
    all: the mean of the others would be of something else. It has a row that says why.
    """
    import pandas

    loads: dict[tuple[str, str, int], list[BatchRow]] = {}
    for row in rows:
        loads.setdefault((row.load, row.range, 0 if row.load else row.line), []).append(row)
    measured: list[tuple[str | int, ...]] = []
    remarks: dict[str, None] = {}
    problems: list[str] = []
    for (load, rng, _), group in loads.items():
        try:
            for last in group:
                shown_value(last.shows)
            times = {row.over for row in group if row.over}
            if len(times) > 1:
                raise UserError(f"found {len(times)} different times of one load, expected one")
            shown = shown_together([row.shows for row in group], next(iter(times), None))
            found, notes = corrected_readings(results, rng, shown, drift)
        except UserError as failure:
            why = str(failure).removeprefix("--")
            problems.append(f"{file}, line {last.line}: {load}{': ' * bool(load)}{why}")
            measured.append((load, rng, *[""] * (len(COLUMNS) - 3), f"no value: {why}"))
            continue
        measured += [(load, rng, *_cells(one), "; ".join(notes)) for one in found]
        remarks |= dict.fromkeys(notes)
    table = pandas.DataFrame(measured, columns=list(COLUMNS)).to_csv(index=False, lineterminator="\n")
    return table, list(remarks), problems


def _cells(found: MeasuredReading) -> tuple[str | int, ...]:
    """In plain digits, energy in watt-hours."""
    divisor, unit = (WATT_HOUR, "Wh") if found.unit == "J" else (1.0, found.unit or "1")
    stated = found.corrected
    corrected, plain = (
        [for_terminal(written(number)) for number in round_pair(exact(value / divisor), exact(spread / divisor))]
        for value, spread in ((stated.value, stated.expanded_uncertainty), found.uncorrected)
    )
    return found.quantity, found.readings, unit, *corrected, f"{stated.coverage_factor:.2f}", *plain
