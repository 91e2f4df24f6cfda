"""What a range does when nothing is asked of it: at no load, and while its largest current is held."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from harness.device import Device, Range, limit_of_error
from harness.evaluation.points import Inputs, PointValues
from harness.evaluation.stated import stated
from harness.evaluation.uncertainty import t_factor
from harness.quantities import format_percent, format_quantity
from harness.results import Endurance, NoLoad, Stated

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
    reasons = []
    allowed = limit_of_error(device, rng, rng.minimum_current) * rng.minimum_current
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
        power=sum(powers) / len(powers) if powers else None,
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
    limit = limit_of_error(device, rng, current)
    secondary = [q.also["secondary_current"] for p in own for q in p.observed.pairs if "secondary_current" in q.also]
    result = Endurance(
        seconds=float(times[-1] - times[0]),
        points=len(own),
        first_error=float(errors[0]),
        last_error=float(errors[-1]),
        drift=drift,
        largest_secondary_current=max(secondary, default=None),
        limit=limit,
        verdict="pass" if abs(drift.value) <= limit else "fail",
    )
    reasons = []
    if result.verdict == "fail":
        reasons.append(
            f"{rng.name}: drifts by {format_percent(drift.value)} in {result.seconds:.0f} s at "
            f"{format_quantity(current, 'A')}, more than the {limit * 100:.3f} % claimed"
        )
    return result, reasons


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
    return Stated(slope * span, uncertainty, factor * uncertainty, factor)
