"""The angle of a load: from readings, else from the bench file."""

import math
from dataclasses import dataclass
from typing import Any

from uncertainties import umath

from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.reference_errors import Deviation
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.files.bench import Bench
from harness.files.instrument_entry import PowerAccuracy
from harness.record.observations import ObservedPoint

NEAR_UNITY = 0.97
"""Above this power factor the angle is not computed from power and apparent power: their errors would swamp it."""

ANGLE_OF_A_LOAD = 0.01
"""A power factor may differ this much from its setting where the bench file does not say: a judgement."""


@dataclass(frozen=True)
class LoadAngle:
    """Tangent of the load's angle, its power factor (negative when leading), and whether more than a bound of the angle is known."""

    tangent: Any
    power_factor: float
    known: bool = True


def angle_of_load(
    inputs: InputQuantities, point: PointValues, apparent: Any | None, accuracy: PowerAccuracy, displaced: Deviation
) -> LoadAngle:
    """The load's angle: from the phase read, else from power and apparent power where they tell it, else as the load was set."""
    observed, bench = point.observed, inputs.bench
    beta = displaced.uncertain
    if observed.shows("reference_phase"):
        return _of_tangent(umath.tan(observed.mean("reference_phase") + own_angle(inputs, accuracy) + beta))
    plugged = bench.plugged(observed.nominal_current)
    # The load's setting, or its power factor on the shelf; 1 where nothing is stated.
    stated = plugged.power_factor if plugged is not None else observed.power_factor or 1.0
    if apparent is not None:
        cosine = observed.mean("reference_power") * bench.reference_path.factor / apparent
        if 0 < nominal(cosine) < NEAR_UNITY:
            sign = math.copysign(1.0, stated)
            tangent = sign * umath.tan(umath.acos(cosine) + sign * beta)
            if tells_an_angle(bench, observed, stated if abs(stated) < 1 else 0.0):
                return _of_tangent(tangent)
            bound = inputs.own_bound("angle of the load", abs(nominal(tangent)))
            return LoadAngle(0.0 + bound, sign * nominal(cosine), known=False)
    known = known_power_factor(bench, observed)
    asked, expanded = known if known is not None else (stated, ANGLE_OF_A_LOAD)
    wide = math.acos(max(0.0, abs(asked) - max(expanded, 1e-6)))
    if not tells_an_angle(bench, observed, asked):
        return LoadAngle(0.0 + inputs.own_bound("angle of the load", math.tan(wide)), asked, known=False)
    tangent = tangent_of(asked)
    bound = (wide - math.acos(abs(asked))) * (1 + tangent**2)
    return LoadAngle(tangent + inputs.own_bound("angle of the load", bound), asked)


def own_angle(inputs: InputQuantities, accuracy: PowerAccuracy) -> Any:
    """Angle between the analyser's own channels, in rad: one input for all points."""
    return inputs.shared_bound("reference power: angle of its channels", accuracy.phase, "rad")


def known_power_factor(bench: Bench, observed: ObservedPoint) -> tuple[float, float] | None:
    """The load's power factor and its expanded uncertainty, where the bench file vouches for it."""
    load = bench.entry("load")
    if load.by_person:
        plugged = bench.plugged(observed.nominal_current)
        if plugged is None or not plugged.power_factor_uncertainty:
            return None
        return plugged.power_factor, plugged.power_factor_uncertainty
    if observed.power_factor is None or load.power_factor_uncertainty is None:
        return None
    return observed.power_factor, load.power_factor_uncertainty


def tells_an_angle(bench: Bench, observed: ObservedPoint, power_factor: float) -> bool:
    """Whether this power factor is the cosine of an angle: of a sine, of a load set to it, or so near unity that little is left."""
    plugged = bench.plugged(observed.nominal_current)
    if plugged is not None:
        return abs(power_factor) >= NEAR_UNITY or (plugged.sinusoidal is True and power_factor != 0)
    return not bench.entry("load").by_person


def may_be_a_sine(bench: Bench, observed: ObservedPoint) -> bool:
    """Whether nothing is stated against it: the angle that is read of another current is none between two sines."""
    plugged = bench.plugged(observed.nominal_current)
    return plugged is None or plugged.sinusoidal is not False


def tangent_of(power_factor: float) -> float:
    """Tangent of the load's angle, positive when the current lags."""
    return math.copysign(math.tan(math.acos(min(1.0, abs(power_factor)))), power_factor)


def _of_tangent(tangent: Any) -> LoadAngle:
    estimate = nominal(tangent)
    return LoadAngle(tangent, math.copysign(math.cos(math.atan(estimate)), estimate + 1e-12))
