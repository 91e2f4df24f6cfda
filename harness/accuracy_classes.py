"""Limits of ratio error of the accuracy classes of measuring current transformers.

Between the tabulated currents the limit is interpolated linearly in current, as is common practice (no published
source). Outside them a class makes no claim: `ratio_error_limit` refuses, so a device file must not claim a class for
currents below its lowest (`harness.device` sees to that).
"""

from __future__ import annotations

import itertools

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

Source: IEC 61869-2:2012, tables 201 to 203. The standard itself was not at hand: the numbers were found on a
transformer maker's technical page and agree with memory. Classes 3 and 5 have one limit from 50 % to 120 %.
"""

TOLERANCE = 0.005
"""A point this little (relative) outside the tabulated span is a point at its end: no current is set exactly."""


def lowest_current(accuracy_class: str) -> float:
    """The smallest part of the rated current at which the class makes a claim."""
    return LIMITS[accuracy_class][0][0]


def ratio_error_limit(accuracy_class: str, part_of_rated: float) -> float:
    """Largest ratio error (a fraction) the class allows at `part_of_rated` of the rated current.

    Raises ValueError outside the currents the class covers, and KeyError for an unknown class.
    """
    table = LIMITS[accuracy_class]
    low, high = table[0][0], table[-1][0]
    if not low * (1 - TOLERANCE) <= part_of_rated <= high * (1 + TOLERANCE):
        raise ValueError(
            f"class {accuracy_class} makes no claim at {part_of_rated:.3g} of the rated current, only from {low:g} to {high:g}"
        )
    current = min(max(part_of_rated, low), high)
    for (i, limit), (j, next_limit) in itertools.pairwise(table):
        if current <= j:
            return limit + (next_limit - limit) * (current - i) / (j - i)
    return table[-1][1]
