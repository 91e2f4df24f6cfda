"""What the reference makes of a current that is no sine: readings it cannot be trusted with, and what its bandwidth leaves unknown."""

import math
from typing import Any

import numpy as np

from harness.core.quantities import format_quantity
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.instrument_entry import Accuracy
from harness.files.shelf_entry import OTHER, ShelfEntry
from harness.record.observations import ObservedPoint
from instruments.waveform_names import Waveform
from instruments.waveforms import spectrum, unit_samples


def not_followed(bench: Bench, observed: ObservedPoint) -> str:
    """Why the reference's readings at a point say nothing of its current; empty where they do. A load set by wire drives a sine."""
    load = bench.plugged(observed.nominal_current)
    if load is None or load.sinusoidal:
        return ""
    return _not_followed(bench, bench.reference_range(observed.reference_scale), load, _reading(observed))


def not_compared(bench: Bench, observed: ObservedPoint) -> str:
    """Why a point says nothing of the influence of its waveform, though its readings may be of use; empty where it does."""
    load = bench.plugged(observed.nominal_current)
    if load is None:
        return "it is a load that is not on the shelf, so that its waveform is not stated"
    return _not_stated(bench.reference_range(observed.reference_scale), load)


def not_comparable(bench: Bench, load: ShelfEntry) -> str:
    """Why the influence of the waveform of `load` can be found on no range of the reference; empty where it can on one of them."""
    reading = load.current / bench.reference_path.factor
    ranges = bench.entry("reference").ranges
    found = [
        _not_followed(bench, scale, load, reading) or _not_stated(scale, load)
        for scale in [r for r in ranges if r.full_scale >= reading] or ranges[-1:]
    ]
    return "" if "" in found else found[-1]


def _not_stated(scale: Accuracy, load: ShelfEntry) -> str:
    """What is not known of the reference, or of the load: both could be wrong alike, and the difference would show nothing."""
    if load.shape is None:
        return f"{_named(load)}, of no shape that has a name, so that what the reference loses of it is not known"
    missing = [key for key in ("response", "bandwidth", "crest_factor") if getattr(scale, key) is None]
    if not missing:
        return ""
    on = f"the reference on its {format_quantity(scale.full_scale, scale.unit)} range"
    return f"{' and '.join(missing)} of {on} not stated, so that what it makes of another waveform than a sine is not known"


def _not_followed(bench: Bench, scale: Accuracy, load: ShelfEntry, reading: float) -> str:
    on, of = f"the reference on its {format_quantity(scale.full_scale, scale.unit)} range", _named(load)
    if scale.response == "average":
        return f"{on} responds to the rectified mean, which is right for a sine alone; {of}"
    if scale.crest_factor is not None:
        peak = load.largest_crest_factor * reading / scale.full_scale
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
    # Below the mains frequency more is passed than of a sine: a burst may be read a little high.
    return ((1.0, inputs.shared_bound(f"{on}: bandwidth, {load.shape.text}", abs(lost))),)


def lost_by_bandwidth(waveform: Waveform, bandwidth: float) -> float:
    """The part of the effective value that a low pass of first order takes (negative: adds), which has been adjusted with a sine.

    `bandwidth` in multiples of its frequency. Each harmonic k passes with 1 / sqrt(1 + (k / bandwidth)^2) (textbook of filters).
    """
    parts = np.abs(spectrum(unit_samples(waveform)))
    orders = np.arange(len(parts)) / waveform.periods
    powers = parts**2 / 2
    powers[0] *= 2
    passed = float(np.sum(powers / (1 + (orders / bandwidth) ** 2))) * (1 + 1 / bandwidth**2)
    return 1 - math.sqrt(passed / float(np.sum(powers)))


def _named(load: ShelfEntry) -> str:
    if load.waveform is None:
        return f"{load.name} draws a current whose waveform is not stated"
    return f"{load.name} draws {'a current that is no sine' if load.waveform == OTHER else load.waveform}"


def _reading(observed: ObservedPoint) -> float:
    return sum(p.reference for p in observed.pairs) / len(observed.pairs)
