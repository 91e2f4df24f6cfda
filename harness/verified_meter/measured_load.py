"""A load's current, power, apparent power, power factor and energy from what was read of it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.errors import UserError
from harness.results import MeasuredCycles, MeasuredLoad, Results, Stability, Stated
from harness.verified_meter.corrected_current import corrected_current
from harness.verified_meter.corrected_energy import (
    AS_POWER,
    corrected_energy,
    error_by_power,
    error_by_register,
    mean_power,
)
from harness.verified_meter.corrected_power import (
    KnownPowerError,
    apparent_power,
    corrected_power,
    known_power_error,
    measured_power_factor,
)
from harness.verified_meter.load_cycles import CountedCycles
from harness.verified_meter.load_dialogue import LoadReadings
from harness.verified_meter.load_display import withstood_by
from harness.verified_meter.low_power import low_power, stability
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredQuantity, check_agreement
from harness.verified_meter.own_draw import OwnDraw, displayed
from harness.verified_meter.scatter import largest_departure, scatters

STEADY, STEPS, STEPS_AT_MOST = 0.02, 3, 0.1
"""A load is steady while no current and no power read is further from their mean than this part of it, or so many steps of the display, which may be
no more than a tenth: our own rule, for readings too short for that of IEC 62301."""

LEAST = 0.95
"""Part of the power indicated that the power is at least: no error of a conforming meter is larger."""

FOR_A_YEAR = 900.0
"""Seconds that readings must span before they are taken for a year's (a judgement: a quarter of an hour)."""

YEAR = 365.25 * 86400.0


@dataclass(frozen=True)
class MeasuredAs:
    """Who measured which load when, with what certificate; `voltage` in volts and the bound of its error, None where it was not read.

    `crest_factor` of the load's current as it was given, None where it is not known.
    """

    load: str
    operator: str
    certificate: str
    verified: str
    measured: str
    voltage: tuple[float, float] | None
    drift: float
    crest_factor: float | None = None


@dataclass(frozen=True)
class _Powers:
    """What was found of current and power, or `why` not; the error of power that was known, and the least power factor."""

    current: MeasuredQuantity
    power: MeasuredQuantity | None = None
    apparent: MeasuredQuantity | None = None
    factor: MeasuredQuantity | None = None
    known: KnownPowerError | None = None
    least: float = 0.0
    why: str = ""


def measured_load(
    results: Results,
    readings: LoadReadings,
    about: MeasuredAs,
    not_included: Sequence[str],
    counted: CountedCycles | None = None,
) -> MeasuredLoad:
    """What `readings` say of the load. Raises UserError where they lie outside what was verified."""
    rng, probability = readings.range, results.decision.coverage_probability
    step, power_step = results.device.resolution, results.device.power_resolution or 0.0
    own = OwnDraw.of(rng, readings.without_load, results.device)
    try:
        read = corrected_current(results, rng.name, displayed(readings.currents, step), about.drift)
    except UserError as failure:
        raise UserError(f"{about.load}: {failure}") from None
    found = _powers(results, readings, MeasuredQuantity(read.corrected.value, read.parts), own, about)
    current = found.current.stated(probability)
    power, apparent, factor = (
        None if one is None else one.stated(probability) for one in (found.power, found.apparent, found.factor)
    )
    steady = _steady(readings.currents, step) and _steady(readings.powers, power_step)
    lasting, why = steady and readings.seconds >= FOR_A_YEAR, [found.why] if found.why else []
    cycles, said = _cycles(results, readings, (found, own), counted, about.drift)
    if power is not None and not lasting and cycles is None:
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
        range_name=rng.name,
        display_factor=rng.display_factor,
        voltage=None if about.voltage is None else about.voltage[0],
        voltage_error=None if about.voltage is None else about.voltage[1],
        currents=readings.currents,
        powers=readings.powers,
        seconds=readings.seconds,
        spread=largest_departure(readings.currents),
        steady=steady,
        coverage_probability=probability,
        current=current,
        power=power,
        apparent_power=apparent,
        power_factor=factor,
        energy_per_year=_yearly(power if lasting else None, cycles),
        cycles=cycles,
        low_power=None if power is None or factor is None else low_power(power, factor, about.crest_factor),
        stability=_stability(readings, power_step),
        own_current=own.current,
        own_power=own.power,
        not_stated=tuple(why),
        not_included=(*said, *_doubts(readings, current.value, about.crest_factor), *not_included),
    )


def _yearly(steady: Stated | None, cycles: MeasuredCycles | None) -> Stated | None:
    """The energy of a year at the mean power of cycles, or at one that lasted."""
    if cycles is not None:
        steady = cycles.mean_power if cycles.seconds >= FOR_A_YEAR else None
    return None if steady is None else _times(steady, YEAR)


def _doubts(readings: LoadReadings, current: float, crest_factor: float | None) -> list[str]:
    """What is to be said of readings that scatter, and of a peak higher than that of the largest sine, where it is known."""
    said, rng = scatters(readings.currents, "currents"), readings.range
    if crest_factor is None or current * crest_factor <= withstood_by(rng) * math.sqrt(2):
        return said
    return [
        *said,
        f"the peak of this current, by its crest factor, is higher than that of the largest sine that range {rng.name} withstands: the input may clip it, "
        "and every value here be too small",
    ]


def _steady(values: Sequence[float], step: float) -> bool:
    """Whether `values` are no further from their mean than a steady load's; none at all are."""
    mean = abs(sum(values)) / len(values) if values else 0.0
    if not mean:
        return not values
    allowed = max(STEADY, min(STEPS * step / mean, STEPS_AT_MOST))
    return largest_departure(values) <= allowed


def _stability(readings: LoadReadings, step: float) -> Stability | None:
    factor = readings.range.display_factor
    powers = [abs(power) * factor for power in readings.powers]
    return stability([one.seconds for one in readings.taken], powers, step * factor) if powers else None


def _powers(
    results: Results, readings: LoadReadings, whole: MeasuredQuantity, own: OwnDraw, about: MeasuredAs
) -> _Powers:
    """Of the load alone; `whole`: the current with what the meter draws itself. Raises UserError where that is too much."""
    if about.voltage is None:
        why = "power, apparent power and power factor: the voltage was not given (--voltage)"
        return _Powers(own.off_current(whole), why=why)
    probability = results.decision.coverage_probability
    apparent = apparent_power(whole, *about.voltage)
    try:
        power, known, least = _power(results, readings, (whole, apparent), about.drift)
    except UserError as missing:
        current = own.off_current(whole)
        apparent = apparent_power(current, *about.voltage)
        return _Powers(current, apparent=apparent, why=f"power and power factor: {missing}")
    voltage, error = about.voltage
    # Half a percent of the voltage turns as much as half a percent of the power.
    half = power.stated(probability).expanded_uncertainty + power.value * error / voltage
    current = own.off_current(whole, (power.value - half, power.value + half), voltage)
    apparent, power = apparent_power(current, voltage, error), own.off_power(power)
    factor = measured_power_factor(power, apparent)
    stated = factor.stated(probability)
    if stated.value - stated.expanded_uncertainty > 1:
        why = "power, apparent power and power factor: voltage, current and power contradict each other (a power factor above 1)"
        return _Powers(current, why=why)
    return _Powers(current, power, apparent, factor, known, least)


def _power(
    results: Results,
    readings: LoadReadings,
    by: tuple[MeasuredQuantity, MeasuredQuantity],
    drift: float,
) -> tuple[MeasuredQuantity, KnownPowerError, float]:
    """The power shown `by` current and apparent power, its known error, and the least power factor. Raises UserError saying why there is none."""
    rng, step, (current, apparent) = readings.range, results.device.power_resolution, by
    if not readings.powers:
        raise UserError(f"not verified on range {rng.name} at this current")
    if step is None:
        raise UserError("the results do not tell the step of the power display; certify the record again")
    indicated = abs(sum(readings.powers)) / len(readings.powers) * rng.display_factor
    if not indicated:
        raise UserError("the display shows none")
    # The least the power factor may be, for the bound of what the phase displacement does.
    most = sum(math.sqrt(3) * c.standard_uncertainty for c in apparent.relative) + step * rng.display_factor / indicated
    least = indicated / apparent.value * (1 - most) * LEAST
    known = known_power_error(rng, current.value)
    power = corrected_power(known, displayed(readings.powers, step), least, drift)
    check_agreement("power", rng, len(readings.powers), power, results.decision.coverage_probability)
    return power, known, least


def _cycles(
    results: Results,
    readings: LoadReadings,
    found: tuple[_Powers, OwnDraw],
    counted: CountedCycles | None,
    drift: float,
) -> tuple[MeasuredCycles | None, list[str]]:
    """Energy and mean power over whole cycles, and what is to be said of them. Raises UserError."""
    step, probability = results.device.energy_resolution, results.decision.coverage_probability
    if counted is None or step is None:
        return None, []
    (powers, own), rng = found, readings.range
    if powers.known is not None:
        by, said = error_by_power(powers.known, powers.least), AS_POWER
    else:
        current = sum(readings.currents) / len(readings.currents) * rng.display_factor
        error, parts, said = error_by_register(rng, current, None)
        by = (error, parts)
    energy = corrected_energy(rng, DisplayedValue(counted.energy, step), by, drift)
    lasted = DisplayedValue(counted.seconds, 2 * counted.reading_time)
    mean = own.off_power(mean_power(energy, lasted))
    return MeasuredCycles(
        counted.cycles,
        counted.seconds,
        own.off_energy(energy, counted.seconds).stated(probability),
        mean.stated(probability),
    ), [said, "energy below the smallest current displayed is not counted, and not included"]


def _times(found: Stated, factor: float) -> Stated:
    return Stated(
        found.value * factor,
        found.standard_uncertainty * factor,
        found.expanded_uncertainty * factor,
        found.coverage_factor,
        found.degrees_of_freedom,
    )
