"""What a range does when nothing is asked of it: at no load, and while its largest current is held."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from harness.claim_limits import limit_at_no_current, limit_of_error
from harness.device import Device, Range
from harness.evaluation.conformity import Decided, decide, judgement
from harness.evaluation.creep import creep, creep_period
from harness.evaluation.inputs import Inputs
from harness.evaluation.observed import Pair
from harness.evaluation.points import BELOW_DISPLAY, PointValues
from harness.evaluation.spread import TDistribution
from harness.evaluation.stated import decided, stated
from harness.evaluation.uncertainty import rectangular, t_factor, type_a
from harness.quantities import format_percent, format_quantity
from harness.results import Endurance, NoLoad, Stated, Verdict, worst

NOMINAL_VOLTAGE, PRESENT = 230.0, 0.5
"""Volts of IEC 60038 that a power is judged by where none was read, and the part of them that counts as there."""

FEWEST_HELD = 3
"""Points of a hold from which a drift with its standard deviation can be found."""

SHORT_OF_TOP = 0.05
"""How far (relative) the current held may be below the largest claimed."""


def no_load(
    device: Device, inputs: Inputs, points: Sequence[PointValues], rng: Range
) -> tuple[NoLoad, list[str]] | None:
    """The zero points of `rng`, first and last, and why they do not plainly pass; None unless power or a wait belongs to them.

    What is indicated with no current is an error like any other, judged by the bench's rule against the claim at no
    current, as an error at zero (VIM 4.28). Creep is judged by the steps of the register, as the standards do.
    """
    own = [p for p in points if p.observed.range == rng.name and p.ratio_error is None]
    if len(own) < 2:
        return None
    first, last = own[0].observed.pairs, own[-1].observed.pairs
    seconds = last[-1].displayed_times[1] - first[0].displayed_times[0]
    voltages = [p.also["reference_voltage"] for p in last if "reference_voltage" in p.also]
    voltage = sum(voltages) / len(voltages) if voltages else None
    failures = _in_one_go(rng, own)
    if voltage is not None and voltage < PRESENT * NOMINAL_VOLTAGE:
        failures.append(
            f"{rng.name}: only {format_quantity(voltage, 'V', 3)} was read, so no load at voltage was not shown"
        )
    counted = creep(device, inputs, rng, first[0], last[-1])
    if counted is not None and counted.found:
        failures.append(
            f"{rng.name}: counted {counted.energy / 3600:.3g} Wh in {seconds:.0f} s with no current (creep of "
            f"{format_quantity(counted.power.value, 'W', 3)})"
        )
    at = voltage or NOMINAL_VOLTAGE
    period = None if counted is None else creep_period(device, rng, counted.resolution, at)
    limit = limit_at_no_current(device, rng)
    indicated = _indicated(inputs, own[-1].indicated)
    shown, judged = stated(inputs, indicated), decided(inputs, indicated, limit)
    reasons = [*failures, *_shown_at_rest(rng, shown, judged, limit, "A")]
    verdicts: list[Verdict] = ["fail" if failures else "pass", judged.verdict]
    watts = _power_shown(device, inputs, rng, last)
    power = limit_of_power = risk = None
    if watts is not None:
        power, limit_of_power = stated(inputs, watts), _limit_of_power(device, rng, limit * at)
        judged_power = decided(inputs, watts, limit_of_power)
        risk = judged_power.specific_risk
        reasons += _shown_at_rest(rng, power, judged_power, limit_of_power, "W", device.claim.power_counts > 0)
        verdicts.append(judged_power.verdict)
    result = NoLoad(
        seconds=seconds,
        current=shown,
        voltage=voltage,
        power=None if power is None else power.value,
        energy=None if counted is None else counted.energy,
        energy_resolution=None if counted is None else counted.resolution,
        verdict=worst(verdicts),
        limit=limit,
        acceptance_limit=judged.acceptance_limit,
        specific_risk=judged.specific_risk,
        test_uncertainty_ratio=judged.test_uncertainty_ratio,
        power_expanded_uncertainty=None if power is None else power.expanded_uncertainty,
        power_limit=limit_of_power,
        power_specific_risk=risk,
        creep=None if counted is None else counted.power,
        creep_below=None if counted is None else counted.below,
        creep_period=period,
    )
    return result, reasons


def _indicated(inputs: Inputs, value: Any) -> Any:
    """What is indicated at a zero point: what the display keeps back is not."""
    hidden = [v for v in value.derivatives if inputs.sources[v].name == BELOW_DISPLAY]
    return value - sum(value.derivatives[v] * v for v in hidden)


def _power_shown(device: Device, inputs: Inputs, rng: Range, pairs: Sequence[Pair]) -> Any | None:
    """Watts indicated, uncertain; None where the device shows none."""
    shown = [p.also["displayed_power"] * rng.display_factor for p in pairs if "displayed_power" in p.also]
    if not shown:
        return None
    step = (device.display.power_resolution or 0.0) * rng.display_factor
    scatter = type_a(shown).standard_uncertainty if len(shown) > 1 else 0.0
    return (
        sum(shown) / len(shown)
        + inputs.own("resolution of the power displayed", rectangular(step / 2), "rectangular", unit="W")
        + inputs.own("repeatability", scatter, "normal", len(shown) - 1, unit="W")
    )


def _limit_of_power(device: Device, rng: Range, of_current: float) -> float:
    """The display steps of power claimed; where none are, what the limit of the current makes of it, `of_current` watts.

    That is one step at least: whatever is claimed of current, a display of power cannot show less.
    """
    step = (device.display.power_resolution or 0.0) * rng.display_factor
    return device.claim.power_counts * step or max(of_current, step)


def _shown_at_rest(
    rng: Range, shown: Stated, judged: Decided, limit: float, unit: str, claimed: bool = True
) -> list[str]:
    """Why what is shown with no current is no plain pass."""
    said = judgement(judged.verdict, shown.value, limit)
    if said is None:
        return []
    return [
        f"{rng.name}: shows {format_quantity(shown.value, unit, 3)} with no current, U = "
        f"{format_quantity(shown.expanded_uncertainty, unit, 3)}, where "
        f"{format_quantity(limit, unit, 3)} {'is claimed' if claimed else 'is what the claim of current makes of it'}: {said}"
    ]


def endurance(
    device: Device, inputs: Inputs, points: Sequence[PointValues], rng: Range
) -> tuple[Endurance, list[str]] | None:
    """The held points of `rng` and why they fail; None when it has fewer than `FEWEST_HELD`.

    Drift is the slope of a straight line through the ratio errors against time, times the time: what all points share
    (the reference's own errors) is not in it. It fails when it is larger than the claim at that current.
    """
    own = [p for p in points if p.observed.range == rng.name and p.observed.direction == "hold"]
    if len(own) < FEWEST_HELD:
        return None
    times = np.array([p.observed.pairs[-1].displayed_times[1] for p in own])
    errors = np.array([float(p.ratio_error.nominal_value) for p in own if p.ratio_error is not None])
    drift = _drift(times, errors, inputs.bench.decision.coverage_probability)
    current = float(own[-1].reference.nominal_value)
    # From a shelf it may be less than the range claims; the claim is then that at its smallest current.
    limit = limit_of_error(device, rng, min(max(current, rng.minimum_current), rng.maximum_current))
    judged = decide(
        drift.value,
        drift.standard_uncertainty,
        drift.expanded_uncertainty,
        limit,
        inputs.bench.decision,
        TDistribution(len(own) - 2),
    )
    secondary = [q.also["secondary_current"] for p in own for q in p.observed.pairs if "secondary_current" in q.also]
    result = Endurance(
        current=current,
        seconds=float(times[-1] - times[0]),
        points=len(own),
        first_error=float(errors[0]),
        last_error=float(errors[-1]),
        drift=drift,
        largest_secondary_current=max(secondary, default=None),
        limit=limit,
        verdict=judged.verdict,
    )
    reasons = _in_one_go(rng, own)
    if not inputs.bench.shelf_currents and current < (1 - SHORT_OF_TOP) * rng.maximum_current:
        reasons.append(
            f"{rng.name}: {format_quantity(current, 'A')} was held, {format_quantity(rng.maximum_current, 'A')} is claimed"
        )
    result = replace(result, verdict="fail" if reasons else judged.verdict)
    if (said := judgement(judged.verdict, drift.value, limit)) is not None:
        reasons.append(
            f"{rng.name}: drifts by {format_percent(drift.value)} in {result.seconds:.0f} s at "
            f"{format_quantity(current, 'A')}, U = {drift.expanded_uncertainty * 100:.3f} %, where {limit * 100:.3f} % is claimed: {said}"
        )
    return result, reasons


def _in_one_go(rng: Range, points: Sequence[PointValues]) -> list[str]:
    """A wait or a held current with an interruption in it is neither."""
    if len({p.observed.part for p in points}) < 2:
        return []
    return [
        f"{rng.name}: the run was interrupted between its points, so nothing was held or waited for in one go; run it again"
    ]


def _drift(times: np.ndarray, errors: np.ndarray, probability: float) -> Stated:
    """Least squares line (JCGM 100:2008, H.3); its slope times the time it spans."""
    count, span = len(times), float(times[-1] - times[0])
    away = times - times.mean()
    spread = float(away @ away)
    slope = float(away @ errors) / spread
    residual = errors - errors.mean() - slope * away
    deviation = math.sqrt(float(residual @ residual) / (count - 2))
    factor = t_factor(count - 2, probability)
    uncertainty = deviation / math.sqrt(spread) * span
    return Stated(slope * span, uncertainty, factor * uncertainty, factor, float(count - 2))
