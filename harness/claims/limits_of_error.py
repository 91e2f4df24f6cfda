"""Limits of error that a claim sets: of ratio error, power and phase displacement, and the currents at which a class states them."""

from harness.class_tables.accuracy_classes import limit_currents, phase_displacement_limit, ratio_error_limit
from harness.class_tables.power_classes import power_error_limit, power_limit_currents
from harness.files.device import Device, Range

END = 0.05
"""The current that flowed may miss an end of the claimed span by this much (relative), the load's own error included."""


def limit_of_error(device: Device, rng: Range, current: float) -> float:
    """Largest ratio error (a fraction) the claim allows at `current` amperes. Raises ValueError where an accuracy class makes no claim."""
    claim = device.claim
    if claim.accuracy_class is not None:
        return ratio_error_limit(claim.accuracy_class, current / rng.maximum_current)
    step = device.display.resolution * rng.display_factor
    return claim.of_reading + (claim.of_range * rng.maximum_current + claim.counts * step) / current


def claimed_limit(device: Device, rng: Range, current: float) -> float | None:
    """Largest ratio error claimed at a `current` that flowed, in amperes; missing an end by less than `END` counts as the end; None outside."""
    low, high = rng.minimum_current, rng.maximum_current
    if not low * (1 - END) <= current <= high * (1 + END):
        return None
    return limit_of_error(device, rng, min(max(current, low), high))


def limit_of_waveform_influence(device: Device, rng: Range, current: float) -> float:
    """Largest change of the ratio error by the waveform (a fraction): what is claimed of it, else the ratio error claimed at `current` amperes."""
    within = min(max(current, rng.minimum_current), rng.maximum_current)
    return device.claim.waveform_influence or limit_of_error(device, rng, within)


def currents_of_class(device: Device, rng: Range, *, power: bool = False) -> list[float]:
    """Currents in amperes, rising, at which the class claimed on `rng` states its limits; none without a class.

    With `power` also those at which the limits of the power class change, at whatever power factor. They may lie outside
    what the range claims.
    """
    claim = device.claim
    parts = set(limit_currents(claim.accuracy_class) if claim.accuracy_class is not None else ())
    if power and claim.power_class is not None:
        parts.update(power_limit_currents(claim.power_class))
    return [part * rng.maximum_current for part in sorted(parts)]


def limit_at_no_current(device: Device, rng: Range) -> float:
    """Largest current in amperes that may be indicated on `rng` with none flowing: the terms that do not go with the reading.

    A claim that has none of them, in parts of the reading alone or by a class, says nothing of no current: the limit is then
    what it allows at the smallest current claimed, the least that would be visible in a reading.
    """
    claim = device.claim
    fixed = claim.of_range * rng.maximum_current + claim.counts * device.display.resolution * rng.display_factor
    return fixed or limit_of_error(device, rng, rng.minimum_current) * rng.minimum_current


def limit_of_power_error(
    device: Device, rng: Range, current: float, apparent_power: float, power_factor: float
) -> float | None:
    """Largest power error (a fraction) claimed, or None; `current` in amperes, `apparent_power` in voltamperes, `power_factor` negative: leading."""
    claim = device.claim
    if claim.power_class is not None:
        return power_error_limit(claim.power_class, current / rng.maximum_current, power_factor)
    power = abs(apparent_power * power_factor)
    if not (claim.power_of_reading or claim.power_counts) or not power:
        return None
    step = (device.display.power_resolution or 0.0) * rng.display_factor
    return claim.power_of_reading + claim.power_counts * step / power


def limit_of_phase_displacement(device: Device, rng: Range, current: float) -> float | None:
    """Largest phase displacement, in rad, the claim allows on `rng` at `current` amperes; None where nothing is claimed."""
    claim = device.claim
    if claim.phase_displacement is not None or claim.accuracy_class is None:
        return claim.phase_displacement
    return phase_displacement_limit(claim.accuracy_class, current / rng.maximum_current)
