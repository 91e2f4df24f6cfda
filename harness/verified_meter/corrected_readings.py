"""What the display of a verified meter shows of one steady load, current, power, power factor and energy together, and the corrected values it stands for."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from harness.core.errors import UserError
from harness.results import RangeResult, Results
from harness.verified_meter.corrected_current import corrected_current, range_named
from harness.verified_meter.corrected_energy import (
    AS_POWER,
    corrected_energy,
    error_by_power,
    error_by_register,
    mean_power,
)
from harness.verified_meter.corrected_power import (
    KnownPowerError,
    corrected_power,
    known_power_error,
    power_was_verified,
    shown_power_factor,
)
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredReading, of_reading
from harness.verified_meter.scatter import scatters

MAINS = 80.0, 280.0
"""Volts between which every mains lies, what it changes by included (common practice, no published source)."""

CURRENT, POWER, FACTOR, ENERGY = "current", "active power", "power factor", "energy"


@dataclass(frozen=True)
class ShownTogether:
    """Values shown of one load, by quantity, in SI units before the display factor; `seconds`: the time of an energy."""

    values: dict[str, tuple[DisplayedValue, ...]] = field(default_factory=dict)
    seconds: DisplayedValue | None = None

    def of(self, quantity: str) -> tuple[DisplayedValue, ...]:
        return self.values.get(quantity, ())


def corrected_readings(
    results: Results, range_name: str, shown: ShownTogether, drift: float
) -> tuple[list[MeasuredReading], list[str]]:
    """What `shown` stands for, the current first, and what is to be said of it. `drift` as of a current.

    Raises UserError where a range, a current, power or energy was not verified there, and where what a value needs is not shown with it.
    """
    _check_together(shown)
    rng = range_named(results, range_name)
    current = corrected_current(results, range_name, shown.of(CURRENT), drift)
    found = [current]
    notes = [note for name, read in shown.values.items() for note in _scatters(name, read)]
    at, probability = current.corrected.value, results.decision.coverage_probability
    known = _known(rng, at) if shown.of(POWER) or _verified(rng, at, shown) else None
    least = None
    if known is not None:
        factors = shown.of(FACTOR)
        factor, least = shown_power_factor(known, factors, drift)
        found.append(of_reading((FACTOR, ""), rng, len(factors), factor, 0.0, probability))
        if powers := _stepped(shown.of(POWER), results.device.power_resolution):
            _check_voltage(shown.of(CURRENT), powers, factors)
            power = corrected_power(known, powers, least, drift)
            found.append(of_reading((POWER, "W"), rng, len(powers), power, known.error, probability))
    if shown.of(ENERGY):
        energies, said = _energy(results, rng, shown, (at, known, least), drift)
        found += energies
        notes.append(said)
    return found, notes


def _known(rng: RangeResult, current: float) -> KnownPowerError:
    try:
        return known_power_error(rng, current)
    except UserError as missing:
        raise UserError(
            f"{missing}: power does not follow from the current alone, which is stated without it"
        ) from None


def _verified(rng: RangeResult, current: float, shown: ShownTogether) -> bool:
    """Whether the power factor shown is to be stated: an energy may do with the comparison of its register."""
    return bool(shown.of(FACTOR)) and (power_was_verified(rng, current) or not shown.of(ENERGY))


def _energy(
    results: Results,
    rng: RangeResult,
    shown: ShownTogether,
    at: tuple[float, KnownPowerError | None, float | None],
    drift: float,
) -> tuple[Iterator[MeasuredReading], str]:
    (counted,), seconds = shown.of(ENERGY), shown.seconds
    assert seconds is not None
    current, known, least = at
    if known is not None and least is not None:
        (error, parts), said = error_by_power(known, least), AS_POWER
    else:
        if power_was_verified(rng, current) and rng.register is None:
            raise UserError("--shows: found an energy without a power factor, which bounds its error, expected both")
        factors = [one.displayed for one in shown.of(FACTOR)]
        error, parts, said = error_by_register(rng, current, sum(factors) / len(factors) if factors else None)
    (counted,) = _stepped((counted,), results.device.energy_resolution)
    energy = corrected_energy(rng, counted, (error, parts), drift)
    mean = mean_power(energy, seconds)
    named = (((ENERGY, "J"), energy), (("mean power", "W"), mean))
    probability = results.decision.coverage_probability
    return (of_reading(name, rng, 1, quantity, error, probability) for name, quantity in named), said


def _scatters(quantity: str, shown: Sequence[DisplayedValue]) -> list[str]:
    return scatters([one.displayed for one in shown], f"{quantity}s")


def _check_together(shown: ShownTogether) -> None:
    for quantity, needs in ((POWER, (CURRENT, FACTOR)), (FACTOR, (CURRENT,)), (ENERGY, (CURRENT,))):
        missing = [need for need in needs if not shown.of(need)]
        if shown.of(quantity) and missing:
            more = "" if quantity != POWER else "; without it give a voltage to ratioproof measure"
            raise UserError(
                f"--shows: found {_article(quantity)} without {' and '.join(map(_article, missing))}, expected what the display shows of one load "
                f'together, such as "0.120 A" "26.4 W" "0.95"{more}'
            )
    if len(shown.of(ENERGY)) > 1:
        raise UserError(
            "--shows: found several energies, expected one: what the register rose by over the time (--over)"
        )
    if bool(shown.of(ENERGY)) != (shown.seconds is not None):
        raise UserError("--over: expected a time with an energy (--shows in Wh), and neither without the other")


def _check_voltage(
    currents: Sequence[DisplayedValue], powers: Sequence[DisplayedValue], factors: Sequence[DisplayedValue]
) -> None:
    """Raise UserError where power, current and power factor shown together are those of no mains: one of them is of something else."""
    (most, least), (current, least_current), (factor, least_factor) = map(_bounds, (powers, currents, factors))
    low = least / (current * factor)
    high = most / (least_current * least_factor) if least_current > 0 and least_factor > 0 else math.inf
    if high < MAINS[0] or low > MAINS[1]:
        raise UserError(
            f"--shows: current, power and power factor contradict each other: together they are of {low:.3g} V to {high:.3g} V"
        )


def _bounds(shown: Sequence[DisplayedValue]) -> tuple[float, float]:
    """The most and the least that their mean can be."""
    mean, half = math.fsum(one.displayed for one in shown) / len(shown), max(one.step for one in shown) / 2
    return mean + half, mean - half


def _article(quantity: str) -> str:
    return f"{'an' if quantity[0] in 'ae' else 'a'} {quantity}"


def _stepped(shown: Sequence[DisplayedValue], resolution: float | None) -> tuple[DisplayedValue, ...]:
    """With the step of the display where that is the larger one. Raises UserError where the results do not tell it."""
    if shown and resolution is None:
        raise UserError("power and energy: the results do not tell the step of this display; certify the record again")
    return tuple(DisplayedValue(one.displayed, max(one.step, resolution or 0.0)) for one in shown)
