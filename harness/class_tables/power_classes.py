"""Limits of percentage error of the accuracy classes of meters of active energy, taken as limits of the power error.

The columns for balanced load and connection through a transformer. The rated current In is the range's largest; the
transitional current of EN 50470-3 is Itr = In/20. The limits are steps: they hold over a band of current, at the
power factors the table names, and nothing is claimed elsewhere.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import TypeAdapter

from harness.class_tables.accuracy_classes import TOLERANCE, TableSource

PowerClass = Literal[
    "IEC 62053-21 1",
    "IEC 62053-21 2",
    "IEC 62053-22 0.2S",
    "IEC 62053-22 0.5S",
    "EN 50470-3 A",
    "EN 50470-3 B",
    "EN 50470-3 C",
]

POWER_FACTOR_TOLERANCE = 0.03
"""A power factor this near one of the table counts as that one: no load keeps it exactly (common practice, no published source)."""


@dataclass(frozen=True)
class Band:
    """One line of a table: from `low` up to below `high`, parts of In; limit a fraction.

    `power_factors` are the outermost of the line, the lagging one first; leading ones are negative. A line for one power
    factor names it twice.
    """

    low: float
    high: float
    power_factors: tuple[float, float]
    limit: float


@dataclass(frozen=True)
class ClassTable:
    """All lines of a class, and where they come from."""

    bands: tuple[Band, ...]
    source: TableSource


_FILE = Path(__file__).with_name("power_classes.toml")
TABLES = TypeAdapter(dict[PowerClass, ClassTable]).validate_python(tomllib.loads(_FILE.read_text("utf-8")))
HIGHEST_CURRENT = max(band.high for table in TABLES.values() for band in table.bands)
"""Largest current over In of any table."""


def power_limit_currents(power_class: PowerClass) -> tuple[float, ...]:
    """The parts of In at which a limit of the class begins, changes or ends at some power factor, rising."""
    return tuple(sorted({part for band in TABLES[power_class].bands for part in (band.low, band.high)}))


def power_error_limit(power_class: PowerClass, part_of_rated: float, power_factor: float) -> float | None:
    """Largest power error (a fraction) the class allows at `part_of_rated` of In; None where it claims nothing.

    `power_factor` is negative for a leading current. Where a current lies a little (`TOLERANCE`) outside the table, or
    below the beginning of a band, the band it is nearest to holds.
    """
    held = [b for b in TABLES[power_class].bands if _holds(b, power_factor)]
    inside = [b for b in held if b.low * (1 - TOLERANCE) <= part_of_rated < b.high * (1 - TOLERANCE)]
    at_the_end = [b for b in held if b.high == HIGHEST_CURRENT and part_of_rated <= b.high * (1 + TOLERANCE)]
    within = inside or [b for b in at_the_end if part_of_rated >= b.low]
    return min((b.limit for b in within), default=None)


def _holds(band: Band, power_factor: float) -> bool:
    lagging, leading = (_place(p) for p in band.power_factors)
    low, high = sorted((lagging, leading))
    return low - POWER_FACTOR_TOLERANCE <= _place(power_factor) <= high + POWER_FACTOR_TOLERANCE


def _place(power_factor: float) -> float:
    """Power factors on a line, 0 at unity: positive on the lagging side, negative on the leading one."""
    return 1 - power_factor if power_factor > 0 else -(1 + power_factor)


PULSE_PERIODS: dict[PowerClass, float] = {
    "IEC 62053-21 1": 600e6,
    "IEC 62053-21 2": 480e6,
    "IEC 62053-22 0.2S": 900e6,
    "IEC 62053-22 0.5S": 600e6,
}
"""Constant of the test of no-load condition, in minutes times volt-ampere pulses per kilowatt-hour (IEC 62053-21:2003 and -22:2003,
8.3.2; values from memory)."""

LEAST_DEMANDING: PowerClass = "IEC 62053-21 2"


def no_load_class(power_class: PowerClass | None) -> PowerClass:
    """The class whose no-load test a device is measured by: its own, or the least demanding where that has no constant here."""
    return power_class if power_class in PULSE_PERIODS else LEAST_DEMANDING


def no_load_period(power_class: PowerClass, energy_step: float, voltage: float, maximum_current: float) -> float:
    """Seconds in which at most one pulse may come with voltage and no current. Raises KeyError for a class without a constant.

    C / (k m Un Imax) minutes, with k pulses of `energy_step` joules per kilowatt-hour, m = 1 measuring element, Un in volts,
    Imax in amperes (IEC 62053-21:2003, 8.3.2; value from memory).
    """
    pulses = 3.6e6 / energy_step
    return 60 * PULSE_PERIODS[power_class] / (pulses * voltage * maximum_current)
