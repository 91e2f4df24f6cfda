"""A load measured with a verified meter."""

from dataclasses import dataclass

from harness.results.judged_value import Stated


@dataclass(frozen=True)
class MeasuredLoad:
    """What a load drew, measured on `range_name`: current in amperes, power in watts, apparent power in voltamperes, energy in joules a year.

    `voltage` and the bound of its error in volts as the operator stated them, None without; `currents` (amperes) and `powers` (watts) as displayed.
    What could not be stated is None, and `not_stated` says why. `readings`: how many; `seconds`: from the first to the last; `spread`: the
    largest departure of a current read from their mean, a fraction; `steady`: whether that is no more than allowed. `not_included`: what the
    uncertainties do not hold.
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
    not_stated: tuple[str, ...]
    not_included: tuple[str, ...]
