"""Limits of ratio error and phase displacement of the accuracy classes of measuring current transformers.

Between the tabulated currents the limit is interpolated linearly in current, as is common practice (no published
source). Outside them a class makes no claim: `ratio_error_limit` refuses, so a device file must not claim a class for
currents below its lowest (`harness.files.device` sees to that).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass


@dataclass(frozen=True)
class TableSource:
    """Where a table of limits comes from. `from_memory`: not found in print, to be checked against the standard itself."""

    text: str
    from_memory: bool


SOURCE = TableSource(
    "IEC 61869-2:2012, tables 201 to 203, as found on a transformer maker's technical page; the standard was not at hand",
    from_memory=False,
)

LIMITS: dict[str, tuple[tuple[float, float], ...]] = {
    "0.1": ((0.05, 0.004), (0.2, 0.002), (1.0, 0.001), (1.2, 0.001)),
    "0.2": ((0.05, 0.0075), (0.2, 0.0035), (1.0, 0.002), (1.2, 0.002)),
    "0.5": ((0.05, 0.015), (0.2, 0.0075), (1.0, 0.005), (1.2, 0.005)),
    "1": ((0.05, 0.03), (0.2, 0.015), (1.0, 0.01), (1.2, 0.01)),
    "0.2S": ((0.01, 0.0075), (0.05, 0.0035), (0.2, 0.002), (1.0, 0.002), (1.2, 0.002)),
    "0.5S": ((0.01, 0.015), (0.05, 0.0075), (0.2, 0.005), (1.0, 0.005), (1.2, 0.005)),
    "3": ((0.5, 0.03), (1.2, 0.03)),
    "5": ((0.5, 0.05), (1.2, 0.05)),
}
"""Class -> (part of the rated current, limit of ratio error), both as fractions, in rising current.

Source: `SOURCE`. Classes 3 and 5 have one limit from 50 % to 120 %.
"""

PHASE_MINUTES: dict[str, tuple[tuple[float, float], ...]] = {
    "0.1": ((0.05, 15), (0.2, 8), (1.0, 5), (1.2, 5)),
    "0.2": ((0.05, 30), (0.2, 15), (1.0, 10), (1.2, 10)),
    "0.5": ((0.05, 90), (0.2, 45), (1.0, 30), (1.2, 30)),
    "1": ((0.05, 180), (0.2, 90), (1.0, 60), (1.2, 60)),
    "0.2S": ((0.01, 30), (0.05, 15), (0.2, 10), (1.0, 10), (1.2, 10)),
    "0.5S": ((0.01, 90), (0.05, 45), (0.2, 30), (1.0, 30), (1.2, 30)),
}
"""Class -> (part of the rated current, limit of phase displacement in minutes of arc). Classes 3 and 5 have none."""

TOLERANCE = 0.005
"""A point this little (relative) outside the tabulated span is a point at its end: no current is set exactly."""


def lowest_current(accuracy_class: str) -> float:
    """The smallest part of the rated current at which the class makes a claim."""
    return LIMITS[accuracy_class][0][0]


def limit_currents(accuracy_class: str) -> tuple[float, ...]:
    """The parts of the rated current at which the class states its limits, rising."""
    return tuple(part for part, _ in LIMITS[accuracy_class])


def ratio_error_limit(accuracy_class: str, part_of_rated: float) -> float:
    """Largest ratio error (a fraction) the class allows at `part_of_rated` of the rated current.

    Raises ValueError outside the currents the class covers, and KeyError for an unknown class.
    """
    limit = _between(LIMITS[accuracy_class], part_of_rated)
    if limit is None:
        low, high = lowest_current(accuracy_class), LIMITS[accuracy_class][-1][0]
        raise ValueError(
            f"class {accuracy_class} makes no claim at {part_of_rated:.3g} of the rated current, only from {low:g} to {high:g}"
        )
    return limit


def phase_displacement_limit(accuracy_class: str, part_of_rated: float) -> float | None:
    """Largest phase displacement, in rad, the class allows at `part_of_rated` of the rated current; None where it claims none."""
    table = PHASE_MINUTES.get(accuracy_class)
    minutes = None if table is None else _between(table, part_of_rated)
    return None if minutes is None else math.radians(minutes / 60)


def _between(table: tuple[tuple[float, float], ...], part_of_rated: float) -> float | None:
    """The tabulated limit, linear between the currents of the table; None outside them."""
    low, high = table[0][0], table[-1][0]
    if not low * (1 - TOLERANCE) <= part_of_rated <= high * (1 + TOLERANCE):
        return None
    current = min(max(part_of_rated, low), high)
    for (i, limit), (j, next_limit) in itertools.pairwise(table):
        if current <= j:
            return limit + (next_limit - limit) * (current - i) / (j - i)
    return table[-1][1]
