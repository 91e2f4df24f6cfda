"""Limits of ratio error and phase displacement of the accuracy classes of measuring current transformers.

Between the tabulated currents the limit is interpolated linearly in current, as is common practice (no published
source). Outside them a class makes no claim: `ratio_error_limit` refuses, so a device file must not claim a class for
currents below its lowest (`harness.files.device` sees to that).
"""

import itertools
import math
from typing import Annotated

from pydantic import AfterValidator, Field

from instruments.toml_file import FileTable, read_shipped

Positive = Annotated[float, Field(gt=0)]


def _rising(limits: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if any(low >= high for (low, _), (high, _) in itertools.pairwise(limits)):
        raise ValueError("found currents that do not rise, expected each above the one before")
    return limits


LimitsOfClass = Annotated[tuple[tuple[Positive, Positive], ...], Field(min_length=1), AfterValidator(_rising)]


class TableSource(FileTable):
    """The source of a table of limits. `from_memory`: not found in print, to be checked against the standard itself."""

    text: str = Field(min_length=1)
    from_memory: bool


class AccuracyClasses(FileTable):
    """The tables of IEC 61869-2."""

    source: TableSource
    ratio_error: dict[str, LimitsOfClass]
    phase_minutes: dict[str, LimitsOfClass]


_SHIPPED = read_shipped(AccuracyClasses, __package__, "accuracy_classes.toml")
SOURCE = _SHIPPED.source
LIMITS = _SHIPPED.ratio_error
"""Class -> (part of the rated current, limit of ratio error), both as fractions, in rising current."""
PHASE_MINUTES = _SHIPPED.phase_minutes
"""Class -> (part of the rated current, limit of phase displacement in minutes of arc)."""

TOLERANCE = 0.005
"""A point this little (relative) outside the tabulated span is a point at its end: no current is set exactly."""


def limit_currents(accuracy_class: str) -> tuple[float, ...]:
    """The parts of the rated current at which the class states its limits, rising."""
    return tuple(part for part, _ in LIMITS[accuracy_class])


def ratio_error_limit(accuracy_class: str, part_of_rated: float) -> float:
    """Largest ratio error (a fraction) at `part_of_rated` of the rated current. Raises ValueError outside the class, KeyError for an unknown one."""
    limit = _between(LIMITS[accuracy_class], part_of_rated)
    if limit is None:
        low, *_, high = limit_currents(accuracy_class)
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
