"""Errors of active power, apparent power and power factor from the pairs of a point.

The model of a point, with P' the reference's reading of power, U' that of voltage and X that of the display:

    P = F (P' (1 + gain_P + drift + temperature - alpha t) / (cos beta + t sin beta) + resolution) / (1 + e)    analyser
    P = S PF                                                     where the load's power factor PF is known instead
    S = U' (1 + gain_U) I                                                                      apparent power
    e_P = X / P - 1

t is the tangent of the load's angle, positive when the current lags; alpha the angle between the analyser's own
channels; beta the phase displacement of the reference path, which makes the analyser see the angle phi - beta.
Without a phase that was measured, t comes from P' and S only where the load's current is stated to be a sine and to lag or lead.
Of any other current, harmonics make P' / S smaller than the cosine of its fundamental's angle: that angle then lies anywhere
within -acos(P' / S) and acos(P' / S), no phase displacement is found from it, and what alpha and beta change at its bound is in U.

F, e and I are those of the current (`point_errors`), so that what they share cancels where ratio error and power error are
compared. `gain_P`, `gain_U` and `alpha` are one input each for all points; beta has those of its calibrated currents.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from uncertainties import umath

from harness.evaluation.power.load_angle import (
    LoadAngle,
    angle_of_load,
    known_power_factor,
    may_be_a_sine,
    own_angle,
    tangent_of,
    tells_an_angle,
)
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.reference_errors import Deviation, path_angle
from harness.evaluation.uncertainty.gum_formulas import rectangular, type_a
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, deviation
from harness.files.device import Device
from harness.files.instrument_entry import PowerAccuracy
from harness.record.observations import ObservedPoint

ANALYSER, KNOWN_LOAD = "power read by the reference", "voltage, current and the load's known power factor"


@dataclass(frozen=True)
class PowerModel:
    """Estimates and inputs behind an analyser's power whose phase was measured: what validating by trials draws from.

    `reading` and `indicated` in watts, `phase` in rad; `path_error` and `path_angle` are those of the reference path, the
    rest are inputs, of value zero.
    """

    reading: float
    phase: float
    path_factor: float
    indicated: float
    relative: tuple[Any, ...]
    path_error: Deviation
    path_angle: Deviation
    own_angle: Any
    resolution: Any
    displayed: tuple[Any, ...]


@dataclass(frozen=True)
class PowerValues:
    """A point's uncertain powers, in watts and voltamperes; ratios and errors are fractions. None is what no instrument shows.

    `tangent` is that of the load's angle, positive when the current lags; without `angle_known` only its bound is.
    `model` is None where the phase was not measured.
    """

    observed: ObservedPoint
    current: Any
    reference_power: Any
    apparent_power: Any | None
    indicated_power: Any
    power_error: Any
    apparent_power_error: Any | None
    power_factor: float
    power_factor_error: Any | None
    tangent: Any
    basis: str
    model: PowerModel | None = None
    angle_known: bool = True


def power_values(device: Device, inputs: InputQuantities, point: PointValues) -> PowerValues | None:
    """The powers of a point; None where device or reference shows none."""
    observed, bench = point.observed, inputs.bench
    if point.ratio_error is None or not observed.shows("displayed_power"):
        return None
    apparent = _apparent_power(inputs, point)
    model: PowerModel | None = None
    rng = device.range_named(observed.range)
    shown, displayed = _indicated(device, inputs, observed, rng.display_factor)
    indicated = shown + sum(displayed)
    accuracy = bench.entry("reference").power
    if accuracy is not None and observed.shows("reference_power"):
        basis = ANALYSER
        displaced = _path_angle(device, inputs, point)
        if displaced is None:
            return None
        angle = angle_of_load(inputs, point, apparent, accuracy, displaced)
        power, model = _analyser_power(inputs, point, accuracy, angle, displaced, (shown, displayed))
    else:
        known = known_power_factor(bench, observed)
        if known is None or apparent is None:
            return None
        basis, (value, expanded) = KNOWN_LOAD, known
        named = "load" if not bench.shelf_currents else f"load of {observed.nominal_current:g} A"
        factor = abs(value) + inputs.shared(f"{named}: power factor {value:g}", expanded / 2, "normal")
        power = apparent * factor
        angle = LoadAngle(tangent_of(value), value, tells_an_angle(bench, observed, value))
    factor_shown = _shown_power_factor(device, inputs, observed)
    apparent_error = factor_error = None
    if apparent is not None and factor_shown is not None:
        apparent_error, factor_error = indicated / factor_shown / apparent - 1, factor_shown - power / apparent
    return PowerValues(
        observed=observed,
        current=point.reference,
        reference_power=power,
        apparent_power=apparent,
        indicated_power=indicated,
        power_error=indicated / power - 1,
        apparent_power_error=apparent_error,
        power_factor=angle.power_factor,
        power_factor_error=factor_error,
        tangent=angle.tangent,
        basis=basis,
        model=model,
        angle_known=angle.known and may_be_a_sine(bench, observed),
    )


def _analyser_power(
    inputs: InputQuantities,
    point: PointValues,
    accuracy: PowerAccuracy,
    load: LoadAngle,
    angle: Deviation,
    indicated: tuple[float, tuple[Any, ...]],
) -> tuple[Any, PowerModel | None]:
    """The reference power, and the model behind the power error where the phase was measured."""
    path, observed = inputs.bench.reference_path, point.observed
    assert point.model is not None
    gain = inputs.shared_bound("reference power: gain", accuracy.of_reading)
    drift, warmth = inputs.since_calibration("reference power", inputs.bench.entry("reference"))
    alpha, beta, off = own_angle(inputs, accuracy), angle.uncertain, point.model.path_error
    reading, tangent = observed.mean("reference_power"), load.tangent
    turned = 0.0
    if not load.known:
        # Of a product of two inputs that are zero both, the law of propagation knows nothing; at its bound the load's angle makes most of it.
        most = math.sqrt(3) * deviation(tangent) * math.hypot(deviation(alpha), deviation(beta))
        turned = inputs.own("angles of channels and path, at an unknown angle of the load", most, "rectangular")
    seen = reading * (1 + gain + drift + warmth - alpha * tangent + turned)
    corrected = seen / (umath.cos(beta) + umath.sin(beta) * tangent)
    resolution = inputs.own_bound("resolution of the reference power", accuracy.resolution / 2, "W")
    power = path.factor * (corrected + resolution) / (1 + off.uncertain)
    if not observed.shows("reference_phase"):
        return power, None
    return power, PowerModel(
        reading=reading,
        phase=observed.mean("reference_phase"),
        path_factor=path.factor,
        indicated=indicated[0],
        relative=(gain, drift, warmth),
        path_error=off,
        path_angle=angle,
        own_angle=alpha,
        resolution=resolution,
        displayed=indicated[1],
    )


def _path_angle(device: Device, inputs: InputQuantities, point: PointValues) -> Deviation | None:
    """Phase displacement of the reference path at a point; None where nothing is known of it."""
    model = point.model
    assert model is not None
    current, scale = model.reading * model.path_factor, point.observed.reference_scale
    return path_angle(inputs, current, device.transformer.frequency, scale)


def unknown_angle(device: Device, inputs: InputQuantities, point: PointValues) -> str | None:
    """The unknown part of phase displacement that keeps `power_values` from a power the reference showed; None where it is not why."""
    bench = inputs.bench
    if point.model is None or bench.entry("reference").power is None or not point.observed.shows("reference_power"):
        return None
    unknown = _path_angle(device, inputs, point) is None
    return bench.reference_path.part_name if unknown else None


def _apparent_power(inputs: InputQuantities, point: PointValues) -> Any | None:
    """Voltage times current; None where no voltage was read."""
    bench = inputs.bench
    entry = bench.instruments[bench.roles.voltage or bench.roles.reference]
    accuracy = entry.voltage
    if accuracy is None or not point.observed.shows("reference_voltage"):
        return None
    gain = inputs.shared_bound("reference voltage: gain", accuracy.of_reading)
    drift, warmth = inputs.since_calibration("reference voltage", entry)
    step = inputs.own_bound("resolution of the voltage", accuracy.resolution / 2, "V")
    return (point.observed.mean("reference_voltage") * (1 + gain + drift + warmth) + step) * point.reference


def _indicated(
    device: Device, inputs: InputQuantities, observed: ObservedPoint, display_factor: float
) -> tuple[float, tuple[Any, ...]]:
    """The power indicated, in watts, and its two inputs."""
    step = rectangular((device.display.power_resolution or 0.0) / 2) * display_factor
    shown = [p.also["displayed_power"] * display_factor for p in observed.pairs]
    by_power = observed.shows("reference_power")
    seen = [p.also["reference_power"] if by_power else p.reference for p in observed.pairs]
    repeatability, freedom = _scatter(shown, seen)
    displayed = (
        inputs.own("resolution of the power displayed", step, "rectangular", unit="W"),
        inputs.own("repeatability of the power", repeatability, "normal", freedom, unit="W"),
    )
    return sum(shown) / len(shown), displayed


def _scatter(shown: Sequence[float], seen: Sequence[float]) -> tuple[float, float]:
    """Standard uncertainty of the mean of `shown` about its ratio to `seen`, and degrees of freedom (as in `point_errors`)."""
    if len(shown) < 2 or not sum(seen):
        return 0.0, math.inf
    ratio = sum(shown) / sum(seen)
    scatter = type_a([x - ratio * i for x, i in zip(shown, seen, strict=True)])
    return scatter.standard_uncertainty, scatter.degrees_of_freedom


def _shown_power_factor(device: Device, inputs: InputQuantities, observed: ObservedPoint) -> Any | None:
    step = device.display.power_factor_resolution
    if step is None or not observed.shows("displayed_power_factor"):
        return None
    mean = abs(observed.mean("displayed_power_factor"))
    return mean + inputs.own_bound("resolution of the power factor displayed", step / 2) if mean else None
