"""Power and phase displacement of a range as results: stated, and judged where something is claimed of them."""

import math

from harness.claims.limits_of_error import limit_of_phase_displacement, limit_of_power_error
from harness.core.quantities import signed_text
from harness.evaluation.conformity.decision import judged
from harness.evaluation.power.phase_displacement import Foretold, PhaseFound
from harness.evaluation.power.power_errors import PowerValues
from harness.evaluation.uncertainty.gum_formulas import covariance
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.files.device import Device
from harness.results import ForetoldPower, PhaseDisplacement, PowerPoint


def power_point(device: Device, inputs: InputQuantities, values: PowerValues) -> PowerPoint:
    """The powers of a point, the error of active power judged against the claim at its current and power factor."""
    observed, rng = values.observed, device.range_named(values.observed.range)
    current, power = nominal(values.current), nominal(values.reference_power)
    apparent = None if values.apparent_power is None else nominal(values.apparent_power)
    in_voltamperes = power / values.power_factor if apparent is None else apparent
    limit = limit_of_power_error(device, rng, current, in_voltamperes, values.power_factor)
    return PowerPoint(
        name=observed.name,
        nominal_current=observed.nominal_current,
        nominal_power_factor=observed.power_factor,
        power_factor=values.power_factor,
        reference_current=current,
        reference_power=power,
        apparent_power=apparent,
        indicated_power=nominal(values.indicated_power),
        power_error=judged(inputs, values.power_error, limit),
        apparent_power_error=inputs.stated_or_none(values.apparent_power_error),
        power_factor_error=inputs.stated_or_none(values.power_factor_error),
        basis=values.basis,
        budget=inputs.budget(values.power_error),
    )


def phase_displacement(device: Device, inputs: InputQuantities, found: PhaseFound) -> PhaseDisplacement:
    """The phase displacement at one current, judged against the claim there, and its effect on power at other power factors."""
    near, far = found.found_from
    rng = device.range_named(near.observed.range)
    limit = limit_of_phase_displacement(device, rng, nominal(near.current))
    spread = covariance([found.displacement, found.common_error])
    together = math.sqrt(float(spread[0, 0] * spread[1, 1]))
    correlation = float(spread[0, 1]) / together if together else 0.0
    errors_by_load = {f"at {signed_text(round(p.power_factor, 2))}": p.power_error for p in found.found_from}
    return PhaseDisplacement(
        nominal_current=found.nominal_current,
        displacement=judged(inputs, found.displacement, limit),
        common_error=inputs.stated(found.common_error),
        correlation=correlation,
        found_from=(near.observed.name, far.observed.name),
        foretold=tuple(_foretold(inputs, f) for f in found.foretold),
        budget=inputs.budget(found.displacement, errors_by_load),
    )


def _foretold(inputs: InputQuantities, found: Foretold) -> ForetoldPower:
    normalized = None
    if found.measured is not None:
        difference = inputs.stated(found.measured - found.foretold)
        expanded = difference.expanded_uncertainty
        normalized = abs(difference.value) / expanded if expanded else None
    return ForetoldPower(
        power_factor=found.power_factor,
        foretold=inputs.stated(found.foretold),
        measured=inputs.stated_or_none(found.measured),
        normalized_error=normalized,
    )
