"""The points of a run as a table for spreadsheets and other programs (CSV, RFC 4180)."""

import pandas

from harness.results import Judged, Results

COLUMNS = (
    "range",
    "point",
    "direction",
    "nominal current (A)",
    "nominal power factor",
    "quantity",
    "unit",
    "reference value",
    "indicated value",
    "error (%)",
    "expanded uncertainty (%)",
    "coverage factor",
    "limit (%)",
    "verdict",
)


def points_csv(results: Results) -> bytes:
    """A row for every current and every power that was compared, unrounded; unknown values are empty cells."""
    rows: list[tuple[str | float | None, ...]] = []
    for rng in results.ranges:
        for p in rng.points:
            asked = (rng.name, p.name, p.direction, p.nominal_current, p.nominal_power_factor)
            rows.append((*asked, "current", "A", p.reference_current, p.indicated_current, *_judged(p.ratio_error)))
        for q in rng.power:
            asked = (rng.name, q.name, "", q.nominal_current, q.nominal_power_factor)
            rows.append((*asked, "power", "W", q.reference_power, q.indicated_power, *_judged(q.power_error)))
    return pandas.DataFrame(rows, columns=list(COLUMNS)).to_csv(index=False, lineterminator="\r\n").encode()


def _judged(error: Judged) -> tuple[str | float | None, ...]:
    limit = None if error.limit is None else error.limit * 100
    return error.value * 100, error.expanded_uncertainty * 100, error.coverage_factor, limit, error.verdict
