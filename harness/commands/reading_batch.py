"""A table of readings of a verified meter: the measured value of each load, as a table again (CSV, RFC 4180)."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.commands.reading import shown_value
from harness.core.errors import UserError
from harness.results import Results
from harness.verified_meter.measured_value import measured_current

RANGE, SHOWS, LOAD = "range", "shows", "load"

COLUMNS = (
    LOAD,
    RANGE,
    "readings",
    "current (A)",
    "expanded uncertainty (A)",
    "coverage factor",
    "without correction (A)",
    "expanded uncertainty without correction (A)",
)


@dataclass(frozen=True)
class BatchRow:
    """One reading: its line in the file, the load it is of (empty: of its own), the range, and what was shown."""

    line: int
    load: str
    range: str
    shows: str


def read_table(file: Path) -> list[BatchRow]:
    """The rows of `file`, with commas or semicolons between its columns. Raises UserError."""
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
    loads = table[LOAD] if LOAD in table.columns else [""] * len(table)
    rows = zip(loads, table[RANGE], table[SHOWS], strict=True)
    return [
        BatchRow(number, load.strip(), rng.strip(), shows.strip())
        for number, (load, rng, shows) in enumerate(rows, 2)
        if any((load.strip(), rng.strip(), shows.strip()))
    ]


def measured_table(results: Results, rows: Sequence[BatchRow], drift: float, file: str) -> tuple[str, list[str]]:
    """The measured value of every load, unrounded, and why some have none: rows of one load on one range are readings of one steady current.

    A load with a row that cannot be read has no value at all: the mean of the others would be of something else.
    """
    import pandas

    loads: dict[tuple[str, str, int], list[BatchRow]] = {}
    for row in rows:
        loads.setdefault((row.load, row.range, 0 if row.load else row.line), []).append(row)
    measured: list[tuple[str | float, ...]] = []
    problems: list[str] = []
    for (load, rng, _), group in loads.items():
        try:
            shown = []
            for row in group:
                last = row
                shown.append(shown_value(row.shows))
            found = measured_current(results, rng, shown, drift)
        except UserError as failure:
            problems.append(f"{file}, line {last.line}: {str(failure).removeprefix('--')}")
            continue
        stated = found.corrected
        measured.append(
            (
                load,
                rng,
                len(group),
                stated.value,
                stated.expanded_uncertainty,
                stated.coverage_factor,
                *found.uncorrected,
            )
        )
    return pandas.DataFrame(measured, columns=list(COLUMNS)).to_csv(index=False, lineterminator="\n"), problems
