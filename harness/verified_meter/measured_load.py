"""A load's current, power, apparent power, power factor and energy from what was read of it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.errors import UserError
from harness.results import MeasuredLoad, Results, Stated
from harness.verified_meter.load_dialogue import LoadReadings, largest_departure
from harness.verified_meter.measured_power import (
    apparent_power,
    known_power_error,
    measured_power,
    measured_power_factor,
)
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredQuantity
from harness.verified_meter.measured_value import measured_current

STEADY, STEPS, STEPS_AT_MOST = 0.02, 3, 0.1
"""A load is steady while no current and no power read is further from their mean than this part of it, or so many steps of the display, which may be
no more than a tenth. Our own rule: the stability that IEC 62301 asks for is found from power over a quarter of an hour at least, and is not
judged here (from memory)."""

LEAST = 0.95
"""Part of the power indicated that the power is at least: no error of a conforming meter is larger."""

FOR_A_YEAR = 900.0
"""Seconds that readings must span before they are taken for a year's (a judgement: a quarter of an hour)."""

YEAR = 365.25 * 86400.0


@dataclass(frozen=True)
class MeasuredAs:
    """Who measured which load when, with what certificate; `voltage` in volts and the bound of its error, None where it was not read."""

    load: str
    operator: str
    certificate: str
    verified: str
    measured: str
    voltage: tuple[float, float] | None
    drift: float


def measured_load(
    results: Results, readings: LoadReadings, about: MeasuredAs, not_included: Sequence[str]
) -> MeasuredLoad:
    """What `readings` say of the load. Raises UserError where they lie outside what was verified."""
    step, probability = results.device.resolution, results.decision.coverage_probability
    shown = [DisplayedValue(value, step) for value in readings.currents]
    current = measured_current(results, readings.range.name, shown, about.drift).corrected
    steady = _steady(readings.currents, step) and _steady(readings.powers, results.device.power_resolution or 0.0)
    apparent, power, why = None, None, []
    if about.voltage is None:
        why.append("power, apparent power and power factor: the voltage was not given (--voltage)")
    else:
        apparent = apparent_power(current, *about.voltage)
        power, missing = _power(results, readings, current, apparent, about.drift)
        why += [missing] if missing else []
    factor = None if power is None or apparent is None else measured_power_factor(power, apparent).stated(probability)
    if factor is not None and factor.value - factor.expanded_uncertainty > 1:
        power = apparent = factor = None
        why.append(
            "power, apparent power and power factor: voltage, current and power contradict each other (a power factor above 1)"
        )
    stated = None if power is None else power.stated(probability)
    lasting = steady and readings.seconds >= FOR_A_YEAR
    if stated is not None and not lasting:
        why.append(
            f"energy per year: the load was not steady, or was read for less than {FOR_A_YEAR / 60:.0f} min, so that these readings are not its mean power"
        )
    return MeasuredLoad(
        load=about.load,
        meter=f"{results.device.maker} {results.device.type}",
        serial=results.device.serial,
        certificate=about.certificate,
        verified=about.verified,
        measured=about.measured,
        operator=about.operator,
        simulated=results.run.simulated,
        range_name=readings.range.name,
        display_factor=readings.range.display_factor,
        voltage=None if about.voltage is None else about.voltage[0],
        voltage_error=None if about.voltage is None else about.voltage[1],
        currents=readings.currents,
        powers=readings.powers,
        seconds=readings.seconds,
        spread=largest_departure(readings.currents),
        steady=steady,
        coverage_probability=probability,
        current=current,
        power=stated,
        apparent_power=None if apparent is None else apparent.stated(probability),
        power_factor=factor,
        energy_per_year=_times(stated, YEAR) if stated is not None and lasting else None,
        not_stated=tuple(why),
        not_included=tuple(not_included),
    )


def _steady(values: Sequence[float], step: float) -> bool:
    """Whether `values` are no further from their mean than a steady load's; none at all are."""
    mean = abs(sum(values)) / len(values) if values else 0.0
    if not mean:
        return not values
    allowed = max(STEADY, min(STEPS * step / mean, STEPS_AT_MOST))
    return largest_departure(values) <= allowed


def _power(
    results: Results, readings: LoadReadings, current: Stated, apparent: MeasuredQuantity, drift: float
) -> tuple[MeasuredQuantity | None, str]:
    """The power, or why there is none."""
    if not readings.powers:
        return None, f"power and power factor: not verified on range {readings.range.name} at this current"
    step = results.device.power_resolution
    if step is None:
        return (
            None,
            "power and power factor: the results do not tell the step of the power display; certify the record again",
        )
    indicated = abs(sum(readings.powers)) / len(readings.powers) * readings.range.display_factor
    if not indicated:
        return None, "power and power factor: the display shows none"
    # The least the power factor may be, for the bound of what the phase displacement does.
    most = (
        sum(math.sqrt(3) * c.standard_uncertainty for c in apparent.relative)
        + step * readings.range.display_factor / indicated
    )
    least = indicated / apparent.value * (1 - most) * LEAST
    try:
        known = known_power_error(readings.range, current.value)
        found = measured_power(known, [DisplayedValue(shown, step) for shown in readings.powers], least, drift)
    except UserError as missing:
        return None, f"power and power factor: {missing}"
    return found, ""


def _times(found: Stated, factor: float) -> Stated:
    return Stated(
        found.value * factor,
        found.standard_uncertainty * factor,
        found.expanded_uncertainty * factor,
        found.coverage_factor,
        found.degrees_of_freedom,
    )
