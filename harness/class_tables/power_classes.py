"""Limits of percentage error of the accuracy classes of meters of active energy, taken as limits of the power error.

The columns for balanced load and connection through a transformer. The rated current In is the range's largest; the
transitional current of EN 50470-3 is Itr = In/20. The limits are steps: they hold over a band of current, at the
power factors the table names, and nothing is claimed elsewhere.
"""

from __future__ import annotations

from typing import Literal, get_args

from pydantic import Field, model_validator

from harness.class_tables.accuracy_classes import TOLERANCE, TableSource
from instruments.toml_file import FileTable, read_shipped

PowerClass = Literal[
    "IEC 62053-21 1",
    "IEC 62053-21 2",
    "IEC 62053-22 0.2S",
    "IEC 62053-22 0.5S",
    "EN 50470-3 A",
    "EN 50470-3 B",
    "EN 50470-3 C",
]

HIGHEST_CURRENT = 1.2
"""Largest current over In: the smallest ratio that standards on transformer-operated meters offer (value from memory)."""

POWER_FACTOR_TOLERANCE = 0.03
"""A power factor this near one of the table counts as that one: no load keeps it exactly (common practice, no published source)."""


def _place(power_factor: float) -> float:
    """A power factor on a line, 0 at unity: positive on the lagging side, negative on the leading one."""
    return 1 - power_factor if power_factor > 0 else -(1 + power_factor)


class Band(FileTable):
    """One line of a table: from `low` up to below `high`, parts of In; limit a fraction.

    It holds at each of the power factors `at`, and from the lagging to the leading one of `between`; leading ones are negative.
    """

    low: float = Field(gt=0)
    high: float = HIGHEST_CURRENT
    at: tuple[float, ...] = ()
    between: tuple[float, float] | None = None
    limit: float = Field(gt=0)

    @model_validator(mode="after")
    def _holds_somewhere(self) -> Band:
        if not self.low < self.high <= HIGHEST_CURRENT:
            raise ValueError(
                f"found low {self.low:g} and high {self.high:g}, expected low < high <= {HIGHEST_CURRENT:g}"
            )
        if bool(self.at) == bool(self.between):
            raise ValueError("found at and between both or neither, expected one of them")
        return self

    def holds(self, power_factor: float) -> bool:
        """Whether it holds at `power_factor`, as near as a load keeps one."""
        spans = [(p, p) for p in self.at] if self.between is None else [self.between]
        asked, near = _place(power_factor), POWER_FACTOR_TOLERANCE
        return any(_place(leading) - near <= asked <= _place(lagging) + near for lagging, leading in spans)


class PowerClasses(FileTable):
    """The tables of IEC 62053-21, IEC 62053-22 and EN 50470-3; a source for each standard."""

    sources: dict[str, TableSource]
    limits: dict[PowerClass, tuple[Band, ...]]
    pulse_periods: dict[PowerClass, float]

    @model_validator(mode="after")
    def _whole(self) -> PowerClasses:
        if missing := [name for name in get_args(PowerClass) if not self.limits.get(name)]:
            raise ValueError(f"limits: found no line of {missing[0]}, expected at least one")
        if missing := [name for name in self.limits if name.rpartition(" ")[0] not in self.sources]:
            raise ValueError(f"sources: found none for {missing[0]}, expected the standard's")
        return self


_SHIPPED = read_shipped(PowerClasses, __package__, "power_classes.toml")
BANDS = _SHIPPED.limits
"""All lines of each class."""


def power_source(power_class: PowerClass) -> TableSource:
    """Where the limits of a class come from."""
    return _SHIPPED.sources[power_class.rpartition(" ")[0]]


def power_limit_currents(power_class: PowerClass) -> tuple[float, ...]:
    """The parts of In at which a limit of the class begins, changes or ends at some power factor, rising."""
    return tuple(sorted({part for band in BANDS[power_class] for part in (band.low, band.high)}))


def power_error_limit(power_class: PowerClass, part_of_rated: float, power_factor: float) -> float | None:
    """Largest power error (a fraction) the class allows at `part_of_rated` of In; None where it claims nothing.

    `power_factor` is negative for a leading current. Where a current lies a little (`TOLERANCE`) outside the table, or
    below the beginning of a band, the band it is nearest to holds.
    """
    held = [b for b in BANDS[power_class] if b.holds(power_factor)]
    inside = [b for b in held if b.low * (1 - TOLERANCE) <= part_of_rated < b.high * (1 - TOLERANCE)]
    at_the_end = [b for b in held if b.high == HIGHEST_CURRENT and part_of_rated <= b.high * (1 + TOLERANCE)]
    within = inside or [b for b in at_the_end if part_of_rated >= b.low]
    return min((b.limit for b in within), default=None)


PULSE_PERIODS = _SHIPPED.pulse_periods
"""Constant of the test of no-load condition, in minutes times volt-ampere pulses per kilowatt-hour."""

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
