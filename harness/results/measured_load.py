"""A load measured with a verified meter."""

from dataclasses import dataclass
from typing import Literal

from harness.results.judged_value import Stated


@dataclass(frozen=True)
class LowPower:
    """What IEC 62301 permits of the expanded uncertainty of power, in watts, at a maximum current ratio: crest factor over power factor.

    Both are None where no crest factor was given: `permitted` is then that of the smallest. `sufficient`: whether U is no larger; None where
    that depends on the crest factor.
    """

    crest_factor: float | None
    maximum_current_ratio: float | None
    permitted: float
    sufficient: bool | None


@dataclass(frozen=True)
class Stability:
    """The slope of power and what IEC 62301 permits, in watts a second, over the last `seconds` of the readings; `readings`: how many these are.

    `not resolved`: within that time a step of the display is more than is permitted.
    """

    slope: float
    permitted: float
    seconds: float
    readings: int
    outcome: Literal["stable", "not stable", "not resolved"]


@dataclass(frozen=True)
class MeasuredCycles:
    """Energy in joules and mean power in watts over whole `cycles` in `seconds`."""

    cycles: int
    seconds: float
    energy: Stated
    mean_power: Stated


@dataclass(frozen=True)
class MeasuredLoad:
    """What a load drew, measured on `range_name`: current in amperes, power in watts, apparent power in voltamperes, energy in joules a year.

    `voltage` and the bound of its error in volts as the operator stated them, None without; `currents` (amperes) and `powers` (watts) as displayed.
    What could not be stated is None, and `not_stated` says why. `readings`: how many; `seconds`: from the first to the last; `spread`: the
    largest departure of a current read from their mean, a fraction; `steady`: whether that is no more than allowed. `own_current`, `own_power`: what
    the meter showed with nothing plugged in, by the display factor. `not_included`: what the uncertainties do not hold.
    """

    load: str
    meter: str
    serial: str
    certificate: str
    verified: str
    measured: str
    operator: str
    simulated: bool
    range_name: str
    display_factor: float
    voltage: float | None
    voltage_error: float | None
    currents: tuple[float, ...]
    powers: tuple[float, ...]
    seconds: float
    spread: float
    steady: bool
    coverage_probability: float
    current: Stated
    power: Stated | None
    apparent_power: Stated | None
    power_factor: Stated | None
    energy_per_year: Stated | None
    cycles: MeasuredCycles | None
    low_power: LowPower | None
    stability: Stability | None
    own_current: float
    own_power: float
    not_stated: tuple[str, ...]
    not_included: tuple[str, ...]
