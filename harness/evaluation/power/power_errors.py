"""From the pairs of a point to the error of active power, apparent power and power factor.

The model of a point, with P' the reference's reading of power, U' that of voltage and X that of the display:

    P = F (P' (1 + gain_P + drift + temperature - alpha t) / (cos beta + t sin beta) + resolution) / (1 + e)    analyser
    P = S PF                                                     where the load's power factor PF is known instead
    S = U' (1 + gain_U) I                                                                      apparent power
    e_P = X / P - 1

t is the tangent of the load's angle, positive when the current lags; alpha the angle between the analyser's own
channels; beta the phase displacement of the reference path, which makes the analyser see the angle phi - beta.
Without a phase that was measured, t comes from P' and S only where the load's current is stated to be a sine and to lag or lead. Of any other
current, harmonics make P' / S smaller than the cosine of its fundamental's angle: that angle then lies anywhere within
-acos(P' / S) and acos(P' / S), no phase displacement is found from it, and what alpha and beta change at its bound is in U.

F, e and I are those of the current (`point_errors`), so that what they share cancels where ratio error and power error are
compared. `gain_P`, `gain_U` and `alpha` are one input each for all points; beta has those of its calibrated currents.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from uncertainties import umath

from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.reference_errors import Deviation, path_angle
from harness.evaluation.uncertainty.combination import rectangular, type_a
from harness.evaluation.uncertainty.input_quantities import Inputs, nominal
from harness.files.bench import Bench, PowerAccuracy, ShelfEntry, VoltageAccuracy
from harness.files.device import Device
from harness.record.observations import ObservedPoint

NEAR_UNITY = 0.97
"""Above this power factor the angle is not computed from power and apparent power: their errors would swamp it."""

ANGLE_OF_A_LOAD = 0.01
"""How far from its setting a power factor may be where the bench file does not say: a judgement."""

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
    """A point's uncertain powers, in watts and voltamperes; ratios and errors are fractions.

    `tangent` is that of the load's angle, positive when the current lags; without `angle_known` only its bound is. What the
    instruments do not show is None.
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


@dataclass(frozen=True)
class LoadAngle:
    """Tangent of the load's angle, its power factor (negative when leading), and whether more than a bound of the angle is known."""

    tangent: Any
    power_factor: float
    known: bool = True


def power_values(device: Device, inputs: Inputs, point: PointValues) -> PowerValues | None:
    """The powers of a point; None where device or reference shows none."""
    observed, bench = point.observed, inputs.bench
    if point.ratio_error is None or not _read(observed, "displayed_power"):
        return None
    apparent = _apparent_power(inputs, point)
    model: PowerModel | None = None
    rng = device.range_named(observed.range)
    indicated, displayed = _indicated(device, inputs, observed, rng.display_factor)
    if bench.entry("reference").power is not None and _read(observed, "reference_power"):
        basis, accuracy = ANALYSER, bench.entry("reference").power
        assert accuracy is not None
        displaced = _path_angle(device, inputs, point)
        if displaced is None:
            return None
        angle = _angle_of_load(inputs, point, apparent, accuracy, displaced)
        power, model = _analyser_power(inputs, point, accuracy, angle, displaced, indicated, displayed)
    else:
        known = _known_power_factor(bench, observed)
        if known is None or apparent is None:
            return None
        basis, (value, expanded) = KNOWN_LOAD, known
        named = "load" if not bench.shelf_currents else f"load of {observed.nominal_current:g} A"
        factor = abs(value) + inputs.shared(f"{named}: power factor {value:g}", expanded / 2, "normal")
        power = apparent * factor
        angle = LoadAngle(_of_power_factor(value), value, _tells_an_angle(bench, observed, value))
    shown = _shown_power_factor(device, inputs, observed)
    cosine = None if apparent is None else power / apparent
    return PowerValues(
        observed=observed,
        current=point.reference,
        reference_power=power,
        apparent_power=apparent,
        indicated_power=indicated,
        power_error=indicated / power - 1,
        apparent_power_error=None if apparent is None or shown is None else indicated / shown / apparent - 1,
        power_factor=angle.power_factor,
        power_factor_error=None if shown is None or cosine is None else shown - cosine,
        tangent=angle.tangent,
        basis=basis,
        model=model,
        angle_known=angle.known,
    )


def _analyser_power(
    inputs: Inputs,
    point: PointValues,
    accuracy: PowerAccuracy,
    load: LoadAngle,
    angle: Deviation,
    indicated: Any,
    displayed: tuple[Any, ...],
) -> tuple[Any, PowerModel | None]:
    """The reference power, and the model behind the power error where the phase was measured."""
    path, observed = inputs.bench.reference_path, point.observed
    assert point.model is not None
    gain = inputs.shared("reference power: gain", rectangular(accuracy.of_reading), "rectangular")
    drift, warmth = inputs.of_instrument("reference power", inputs.bench.entry("reference"))
    alpha, beta, off = _own_angle(inputs, accuracy), angle.uncertain, point.model.path_error
    reading, tangent = _mean(observed, "reference_power"), load.tangent
    turned = 0.0
    if not load.known:
        # Of a product of two inputs that are zero both, the law of propagation knows nothing; at its bound the load's angle makes most of it.
        most = math.sqrt(3) * _deviation(tangent) * math.hypot(_deviation(alpha), _deviation(beta))
        turned = inputs.own("angles of channels and path, at an unknown angle of the load", most, "rectangular")
    seen = reading * (1 + gain + drift + warmth - alpha * tangent + turned)
    corrected = seen / (umath.cos(beta) + umath.sin(beta) * tangent)
    resolution = inputs.own(
        "resolution of the reference power", rectangular(accuracy.resolution / 2), "rectangular", unit="W"
    )
    power = path.factor * (corrected + resolution) / (1 + off.uncertain)
    if not _read(observed, "reference_phase"):
        return power, None
    return power, PowerModel(
        reading=reading,
        phase=_mean(observed, "reference_phase"),
        path_factor=path.factor,
        indicated=nominal(indicated),
        relative=(gain, drift, warmth),
        path_error=off,
        path_angle=angle,
        own_angle=alpha,
        resolution=resolution,
        displayed=displayed,
    )


def _own_angle(inputs: Inputs, accuracy: PowerAccuracy) -> Any:
    return inputs.shared("reference power: angle of its channels", rectangular(accuracy.phase), "rectangular", "rad")


def _path_angle(device: Device, inputs: Inputs, point: PointValues) -> Deviation | None:
    """Phase displacement of the reference path at a point; None where nothing is known of it."""
    model = point.model
    assert model is not None
    current, scale = model.reading * model.path_factor, point.observed.reference_scale
    return path_angle(inputs, current, device.transformer.frequency, scale)


def why_no_power(device: Device, inputs: Inputs, point: PointValues) -> str:
    """Why `power_values` finds none though the reference showed a power; empty where that is not why."""
    bench = inputs.bench
    if point.model is None or bench.entry("reference").power is None or not _read(point.observed, "reference_power"):
        return ""
    unknown = _path_angle(device, inputs, point) is None
    return f"nothing is known of the phase displacement of {bench.reference_path.part_name}" if unknown else ""


def _apparent_power(inputs: Inputs, point: PointValues) -> Any | None:
    """Voltage times current; None where no voltage was read."""
    bench = inputs.bench
    role = bench.roles.voltage
    entry = bench.entry("reference") if role is None else bench.instruments[role]
    accuracy: VoltageAccuracy | None = entry.voltage
    if accuracy is None or not _read(point.observed, "reference_voltage"):
        return None
    gain = inputs.shared("reference voltage: gain", rectangular(accuracy.of_reading), "rectangular")
    drift, warmth = inputs.of_instrument("reference voltage", entry)
    step = inputs.own("resolution of the voltage", rectangular(accuracy.resolution / 2), "rectangular", unit="V")
    return (_mean(point.observed, "reference_voltage") * (1 + gain + drift + warmth) + step) * point.reference


def _angle_of_load(
    inputs: Inputs, point: PointValues, apparent: Any | None, accuracy: PowerAccuracy, displaced: Deviation
) -> LoadAngle:
    """The load's angle: from the phase read, else from power and apparent power where they tell it, else as the load was set."""
    observed, bench = point.observed, inputs.bench
    beta = displaced.uncertain
    if _read(observed, "reference_phase"):
        return _of_tangent(umath.tan(_mean(observed, "reference_phase") + _own_angle(inputs, accuracy) + beta))
    stated = _stated_power_factor(bench, observed)
    if apparent is not None:
        cosine = _mean(observed, "reference_power") * bench.reference_path.factor / apparent
        if 0 < nominal(cosine) < NEAR_UNITY:
            sign = math.copysign(1.0, stated)
            tangent = sign * umath.tan(umath.acos(cosine) + sign * beta)
            if _tells_an_angle(bench, observed, stated if abs(stated) < 1 else 0.0):
                return _of_tangent(tangent)
            bound = inputs.own("angle of the load", rectangular(abs(nominal(tangent))), "rectangular")
            return LoadAngle(0.0 + bound, sign * nominal(cosine), known=False)
    known = _known_power_factor(bench, observed)
    asked, expanded = known if known is not None else (stated, ANGLE_OF_A_LOAD)
    wide = math.acos(max(0.0, abs(asked) - max(expanded, 1e-6)))
    if not _tells_an_angle(bench, observed, asked):
        return LoadAngle(
            0.0 + inputs.own("angle of the load", rectangular(math.tan(wide)), "rectangular"), asked, known=False
        )
    tangent = _of_power_factor(asked)
    bound = (wide - math.acos(abs(asked))) * (1 + tangent**2)
    return LoadAngle(tangent + inputs.own("angle of the load", rectangular(bound), "rectangular"), asked)


def _of_tangent(tangent: Any) -> LoadAngle:
    estimate = nominal(tangent)
    return LoadAngle(tangent, math.copysign(math.cos(math.atan(estimate)), estimate + 1e-12))


def _plugged(bench: Bench, observed: ObservedPoint) -> ShelfEntry | None:
    """The load off the shelf that was plugged in; None where the load is set by wire or the shelf does not hold it."""
    shelf = bench.entry("load").shelf
    return next((s for s in shelf if math.isclose(s.current, observed.nominal_current)), None)


def _stated_power_factor(bench: Bench, observed: ObservedPoint) -> float:
    """What the load was set to, or what the shelf says of it; 1 where nothing does."""
    plugged = _plugged(bench, observed)
    return plugged.power_factor if plugged is not None else observed.power_factor or 1.0


def _tells_an_angle(bench: Bench, observed: ObservedPoint, power_factor: float) -> bool:
    """Whether this power factor of the load is the cosine of an angle: of a sine, of a load set to it, or so near to unity that little is left."""
    plugged = _plugged(bench, observed)
    if plugged is not None:
        return abs(power_factor) >= NEAR_UNITY or (plugged.sinusoidal is True and power_factor != 0)
    return not bench.entry("load").by_person


def _known_power_factor(bench: Bench, observed: ObservedPoint) -> tuple[float, float] | None:
    """The load's power factor and its expanded uncertainty, where the bench file vouches for it."""
    load = bench.entry("load")
    if load.by_person:
        plugged = _plugged(bench, observed)
        if plugged is None or not plugged.power_factor_uncertainty:
            return None
        return plugged.power_factor, plugged.power_factor_uncertainty
    if observed.power_factor is None or load.power_factor_uncertainty is None:
        return None
    return observed.power_factor, load.power_factor_uncertainty


def _of_power_factor(power_factor: float) -> float:
    return math.copysign(math.tan(math.acos(min(1.0, abs(power_factor)))), power_factor)


def _indicated(
    device: Device, inputs: Inputs, observed: ObservedPoint, display_factor: float
) -> tuple[Any, tuple[Any, ...]]:
    """The power indicated, in watts, and its two inputs."""
    step = rectangular((device.display.power_resolution or 0.0) / 2) * display_factor
    shown = [p.also["displayed_power"] * display_factor for p in observed.pairs]
    beside = "reference_power" if _read(observed, "reference_power") else ""
    seen = [p.also[beside] if beside else p.reference for p in observed.pairs]
    repeatability, freedom = _scatter(shown, seen)
    displayed = (
        inputs.own("resolution of the power displayed", step, "rectangular", unit="W"),
        inputs.own("repeatability of the power", repeatability, "normal", freedom, unit="W"),
    )
    return sum(shown) / len(shown) + sum(displayed), displayed


def _scatter(shown: Sequence[float], seen: Sequence[float]) -> tuple[float, float]:
    """Standard uncertainty of the mean of `shown` about its ratio to `seen`, and degrees of freedom (as in `point_errors`)."""
    if len(shown) < 2 or not sum(seen):
        return 0.0, math.inf
    ratio = sum(shown) / sum(seen)
    scatter = type_a([x - ratio * i for x, i in zip(shown, seen, strict=True)])
    return scatter.standard_uncertainty, scatter.degrees_of_freedom


def _shown_power_factor(device: Device, inputs: Inputs, observed: ObservedPoint) -> Any | None:
    step = device.display.power_factor_resolution
    if step is None or not _read(observed, "displayed_power_factor"):
        return None
    mean = abs(_mean(observed, "displayed_power_factor"))
    if not mean:
        return None
    return mean + inputs.own("resolution of the power factor displayed", rectangular(step / 2), "rectangular")


def _read(observed: ObservedPoint, name: str) -> bool:
    return bool(observed.pairs) and all(name in p.also for p in observed.pairs)


def _mean(observed: ObservedPoint, name: str) -> float:
    return sum(p.also[name] for p in observed.pairs) / len(observed.pairs)


def _deviation(value: Any) -> float:
    return float(getattr(value, "std_dev", 0.0))
