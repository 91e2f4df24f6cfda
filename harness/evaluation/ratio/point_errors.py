"""The ratio error of a point from its pairs, with a budget whose inputs are shared where they really are.

The model of a point, with r the mean of the reference readings, D that of the displayed values:

    I = F (r / (1 + d) + offset_s + resolution_r) / (1 + e)                                         reference current
    X = D g + resolution_D + repeatability + pairing                                                indicated current
    e = X / I - 1                                                                                   ratio error (IEC 61869-2)

F is the factor of the reference path, g the display factor, s the reference's range. The errors d of the reading and e of
the path are those of `reference_errors`. An input belongs to a range of the reference, to a calibrated current or to all points:
it cancels in what is compared with the same one, and stays in what is not. Every input has the value zero and an uncertainty.

The position of the primary turns in the window of the device's own transformer is no input: it is part of what is verified.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.evaluation.ratio.reference_errors import Deviation, path_error, reading_error
from harness.evaluation.ratio.reference_shape import shape_terms
from harness.evaluation.uncertainty.gum_formulas import rectangular, type_a
from harness.evaluation.uncertainty.repeatability import RangeScatter, point_repeatability
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, deviation
from harness.files.device import Device, Range
from harness.record.observations import ObservedPoint
from harness.results import REPEATABILITY
from instruments.waveform_names import SINE, Waveform

BELOW_DISPLAY = "below what the display shows"
"""The input of a zero point for what a display that shows nothing may be hiding."""


@dataclass(frozen=True)
class PointModel:
    """Parts of a point's model: means, the errors of reading and path, its inputs (0.0 without uncertainty).

    `reading` in the reference's unit, `indicated` in amperes with the display factor in it.
    """

    reading: float
    path_factor: float
    indicated: float
    reading_error: Deviation
    path_error: Deviation
    offset: Any
    reference_resolution: Any
    display_resolution: Any
    repeatability: Any
    pairing: Any


@dataclass(frozen=True)
class PointValues:
    """A point with its uncertain quantities, in amperes; `ratio_error` and `model` are None for a zero point.

    `random_indicated` and `random_reference` are the standard uncertainties of what no other point shares. `waveform` of the load, None where
    it is not known or has no name.
    """

    observed: ObservedPoint
    reference: Any
    indicated: Any
    ratio_error: Any | None
    random_reference: float
    random_indicated: float
    model: PointModel | None = None
    waveform: Waveform | None = SINE


def point_values(device: Device, inputs: InputQuantities, observed: ObservedPoint) -> PointValues:
    """The quantities of one point. Raises ValueError without pairs, without reference current, or where the path is not known."""
    if not observed.pairs:
        raise ValueError(f"point {observed.name} has no pairs")
    rng = device.range_named(observed.range)
    if observed.direction == "zero":
        return _zero_values(device, rng, inputs, observed)
    path = inputs.bench.reference_path.factor
    scatter = inputs.scatter.get(observed.range, RangeScatter())
    repeatability, freedom = point_repeatability(observed, rng.display_factor, path, scatter)
    reading = sum(p.reference for p in observed.pairs) / len(observed.pairs)
    if reading <= 0:
        raise ValueError(f"point {observed.name} has no reference current")
    frequency, scale = device.transformer.frequency, inputs.bench.reference_range(observed.reference_scale)
    reading_off, offset = reading_error(inputs, "reference", inputs.bench.entry("reference"), scale, reading, frequency)
    model = PointModel(
        reading=reading,
        path_factor=path,
        indicated=_mean_displayed(observed) * rng.display_factor,
        reading_error=replace(reading_off, terms=(*reading_off.terms, *shape_terms(inputs, observed, frequency))),
        path_error=path_error(inputs, reading * path, frequency, scale.full_scale),
        offset=offset,
        reference_resolution=inputs.own_bound("resolution of the reference", scale.resolution / 2, scale.unit),
        display_resolution=_display_resolution(device, rng, inputs),
        repeatability=inputs.own(REPEATABILITY, repeatability, "normal", freedom, unit="A"),
        pairing=inputs.own("pairing in time", _pairing(observed) * path, "rectangular", unit="A"),
    )
    read = model.reading / (1 + model.reading_error.uncertain) + model.offset + model.reference_resolution
    reference = path * read / (1 + model.path_error.uncertain)
    indicated = model.indicated + model.display_resolution + model.repeatability + model.pairing
    random_reference = deviation(model.reference_resolution) * path
    random = math.hypot(*(deviation(v) for v in (model.display_resolution, model.repeatability, model.pairing)))
    error, waveform = indicated / reference - 1, _waveform(inputs, observed)
    return PointValues(observed, reference, indicated, error, random_reference, random, model, waveform)


def _waveform(inputs: InputQuantities, observed: ObservedPoint) -> Waveform | None:
    """Of the load that was plugged in; one set by wire drives a sine."""
    if not inputs.bench.shelf_currents:
        return SINE
    plugged = inputs.bench.plugged(observed.nominal_current)
    return None if plugged is None else plugged.shape


def _zero_values(device: Device, rng: Range, inputs: InputQuantities, observed: ObservedPoint) -> PointValues:
    """A zero point: what is indicated with no current, and what a display that shows nothing may be hiding."""
    mean, count = _mean_displayed(observed), len(observed.pairs)
    scatter = type_a([p.displayed for p in observed.pairs]).standard_uncertainty if count > 1 else 0.0
    hidden = device.display.smallest_readable_current if mean == 0 else 0.0
    indicated = (
        mean * rng.display_factor
        + _display_resolution(device, rng, inputs)
        + inputs.own(BELOW_DISPLAY, rectangular(hidden) * rng.display_factor, "rectangular", unit="A")
        + inputs.own(REPEATABILITY, scatter * rng.display_factor, "normal", count - 1, unit="A")
    )
    return PointValues(observed, 0.0, indicated, None, 0.0, deviation(indicated))


def _pairing(observed: ObservedPoint) -> float:
    """Standard uncertainty from the two readings of a pair not being at the same instant, in the reference's unit.

    The fastest change between successive reference readings times the mean distance of the readings' middles is
    taken as a bound; over n pairs, whose directions of change are independent, it shrinks with the root of n.
    """
    pairs = observed.pairs
    if len(pairs) < 2:
        return 0.0
    rates = [
        abs(b.reference - a.reference) / max(1e-6, _middle(b.reference_times) - _middle(a.reference_times))
        for a, b in itertools.pairwise(pairs)
    ]
    skew = sum(abs(_middle(p.reference_times) - _middle(p.displayed_times)) for p in pairs) / len(pairs)
    return rectangular(max(rates) * skew) / math.sqrt(len(pairs))


def _display_resolution(device: Device, rng: Range, inputs: InputQuantities) -> Any:
    step = rectangular(device.display.resolution / 2) * rng.display_factor
    return inputs.own("resolution of the display", step, "rectangular", unit="A")


def _mean_displayed(observed: ObservedPoint) -> float:
    return sum(p.displayed for p in observed.pairs) / len(observed.pairs)


def _middle(times: Sequence[float]) -> float:
    return (times[0] + times[1]) / 2
