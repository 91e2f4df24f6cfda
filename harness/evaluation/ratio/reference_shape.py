"""What the reference makes of a current that is no sine: readings it cannot be trusted with, and what its bandwidth leaves unknown."""

import math
from typing import Any

import numpy as np

from harness.core.quantities import format_quantity
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.instrument_entry import Accuracy
from harness.files.shelf_entry import ShelfEntry
from harness.record.observations import ObservedPoint
from instruments.waveform_names import Waveform
from instruments.waveforms import spectrum, unit_samples


def not_followed(bench: Bench, observed: ObservedPoint) -> str:
    """Why the reference's readings at a point say nothing of its current; empty where they do. A load set by wire drives a sine."""
    load = bench.plugged(observed.nominal_current)
    if load is None or load.sinusoidal:
        return ""
    scale = bench.reference_range(observed.reference_scale)
    on, of = f"the reference on its {format_quantity(scale.full_scale, scale.unit)} range", _named(load)
    if scale.response == "average":
        return f"{on} responds to the rectified mean, which is right for a sine alone; {of}"
    if scale.crest_factor is not None:
        peak = load.largest_crest_factor * _reading(observed) / scale.full_scale
        if peak > scale.crest_factor:
            followed = f"follows a crest factor of {scale.crest_factor:g} at full scale"
            return f"{on} {followed}; {of}, at this reading its peak is {peak:.3g} times the full scale"
    if load.shape is not None and not load.shape.symmetrical:
        return _without_direct_part(bench, scale, on, of)
    return ""


def _without_direct_part(bench: Bench, scale: Accuracy, on: str, of: str) -> str:
    if bench.reference_path.kind in ("transformer", "clamp"):
        return f"no {bench.reference_path.part_name} passes a direct current; {of}, which has one"
    if scale.coupling != "AC+DC":
        stated = "reads no direct part" if scale.coupling == "AC" else "is not stated to read a direct part (coupling)"
        return f"{on} {stated}; {of}, which has one"
    return ""


def shape_terms(inputs: InputQuantities, observed: ObservedPoint, frequency: float) -> tuple[tuple[float, Any], ...]:
    """What the bandwidth of the reference may take from the reading of a point: a bound, one input for each waveform and range."""
    load = inputs.bench.plugged(observed.nominal_current)
    scale = inputs.bench.reference_range(observed.reference_scale)
    if load is None or load.sinusoidal or load.shape is None or scale.bandwidth is None:
        return ()
    on = f"reference, {format_quantity(scale.full_scale, scale.unit)} range"
    lost = lost_by_bandwidth(load.shape, scale.bandwidth / frequency)
    return ((1.0, inputs.shared_bound(f"{on}: bandwidth, {load.shape.text}", lost)),)


def lost_by_bandwidth(waveform: Waveform, bandwidth: float) -> float:
    """The part of the effective value that a low pass of first order takes, which has been adjusted with a sine; `bandwidth` in multiples of its frequency.

    Each harmonic k passes with 1 / sqrt(1 + (k / bandwidth)^2) (textbook of filters).
    """
    parts = np.abs(spectrum(unit_samples(waveform)))
    orders = np.arange(len(parts)) / waveform.periods
    powers = parts**2 / 2
    powers[0] *= 2
    passed = float(np.sum(powers / (1 + (orders / bandwidth) ** 2))) * (1 + 1 / bandwidth**2)
    return 1 - math.sqrt(passed / float(np.sum(powers)))


def _named(load: ShelfEntry) -> str:
    return f"{load.name} draws {load.waveform or 'a current whose waveform is not stated'}"


def _reading(observed: ObservedPoint) -> float:
    return sum(p.reference for p in observed.pairs) / len(observed.pairs)
