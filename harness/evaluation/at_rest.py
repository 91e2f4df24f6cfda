"""What a range does when nothing is asked of it: at no load, and while its largest current is held."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from harness.device import Device, Range, limit_of_error
from harness.evaluation.conformity import SHORT_OF_PASS, decide
from harness.evaluation.points import Inputs, PointValues
from harness.evaluation.stated import stated
from harness.evaluation.uncertainty import t_factor
from harness.quantities import format_percent, format_quantity
from harness.results import Endurance, NoLoad, Stated

NOMINAL_VOLTAGE, PRESENT = 230.0, 0.5
"""Volts of IEC 60038 that a power is judged by where none was read, and the part of them that counts as there."""

SHORT_OF_TOP = 0.05
"""How far (relative) the current held may be below the largest claimed."""

STEPS_OF_ENERGY = 1.5
"""Counting may have begun just before a step of the register: one step alone is not yet creep."""


def no_load(
    device: Device, inputs: Inputs, points: Sequence[PointValues], rng: Range
) -> tuple[NoLoad, list[str]] | None:
    """The zero points of `rng`, first and last, and why they fail; None unless power or a wait belongs to them.

    What is shown with no current fails when it alone uses up the claim at the smallest current of the range.
    """
    own = [p for p in points if p.observed.range == rng.name and p.ratio_error is None]
    if len(own) < 2:
        return None
    first, last = own[0].observed.pairs, own[-1].observed.pairs
    seconds = last[-1].displayed_times[1] - first[0].displayed_times[0]
    shown = stated(inputs, own[-1].indicated)
    energy = None
    if "displayed_energy" in first[0].also and "displayed_energy" in last[-1].also:
        energy = (last[-1].also["displayed_energy"] - first[0].also["displayed_energy"]) * rng.display_factor
    powers = [p.also["displayed_power"] * rng.display_factor for p in last if "displayed_power" in p.also]
    step = device.display.energy_resolution
    scaled = None if step is None else step * rng.display_factor
    power = sum(powers) / len(powers) if powers else None
    voltages = [p.also["reference_voltage"] for p in last if "reference_voltage" in p.also]
    voltage = sum(voltages) / len(voltages) if voltages else None
    reasons = _in_one_go(rng, own)
    allowed = limit_of_error(device, rng, rng.minimum_current) * rng.minimum_current
    if voltage is not None and voltage < PRESENT * NOMINAL_VOLTAGE:
        reasons.append(
            f"{rng.name}: only {format_quantity(voltage, 'V', 3)} was read, so no load at voltage was not shown"
        )
    if power is not None and abs(power) > allowed * (voltage or NOMINAL_VOLTAGE):
        reasons.append(
            f"{rng.name}: shows {format_quantity(power, 'W', 3)} with no current, more than the claim at its smallest current "
            f"makes of it, {format_quantity(allowed * (voltage or NOMINAL_VOLTAGE), 'W', 3)}"
        )
    if abs(shown.value) > allowed:
        reasons.append(
            f"{rng.name}: shows {format_quantity(shown.value, 'A', 3)} with no current, where the whole claim at its smallest "
            f"current is {format_quantity(allowed, 'A', 3)}"
        )
    if energy is not None and scaled is not None and abs(energy) > STEPS_OF_ENERGY * scaled:
        reasons.append(f"{rng.name}: counted {energy / 3600:.3g} Wh in {seconds:.0f} s with no current (creep)")
    result = NoLoad(
        seconds=seconds,
        current=shown,
        voltage=voltage,
        power=power,
        energy=energy,
        energy_resolution=scaled,
        verdict="fail" if reasons else "pass",
    )
    return result, reasons


def endurance(
    device: Device, inputs: Inputs, points: Sequence[PointValues], rng: Range
) -> tuple[Endurance, list[str]] | None:
    """The held points of `rng` and why they fail; None when it has fewer than three.

    Drift is the slope of a straight line through the ratio errors against time, times the time: what all points share
    (the reference's own errors) is not in it. It fails when it is larger than the claim at that current.
    """
    own = [p for p in points if p.observed.range == rng.name and p.observed.direction == "hold"]
    if len(own) < 3:
        return None
    times = np.array([p.observed.pairs[-1].displayed_times[1] for p in own])
    errors = np.array([float(p.ratio_error.nominal_value) for p in own if p.ratio_error is not None])
    drift = _drift(times, errors, inputs.bench.decision.coverage_probability)
    current = float(own[-1].reference.nominal_value)
    # From a shelf it may be less than the range claims; the claim is then that at its smallest current.
    limit = limit_of_error(device, rng, min(max(current, rng.minimum_current), rng.maximum_current))
    judged = decide(
        drift.value, drift.standard_uncertainty, drift.expanded_uncertainty, limit, inputs.bench.decision, len(own) - 2
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
    if judged.verdict in SHORT_OF_PASS:
        reasons.append(
            f"{rng.name}: drifts by {format_percent(drift.value)} in {result.seconds:.0f} s at "
            f"{format_quantity(current, 'A')}, U = {drift.expanded_uncertainty * 100:.3f} %, where {limit * 100:.3f} % is claimed"
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
