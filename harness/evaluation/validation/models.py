"""The models of all results a second time, for validating them by trials (JCGM 101:2008, clause 8).

Written out exactly and in plain arrays: the linearisation, the sharing of inputs and the coverage factors are what is being
checked, so nothing of them is used. Every model gives its value in every trial, from the `draws` of its inputs.
"""

from collections.abc import Sequence

import numpy as np

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.arrays import Array
from harness.evaluation.power.power_errors import PowerModel
from harness.evaluation.ratio.effective_turns import Multiplier, RatioAtCurrent
from harness.evaluation.ratio.point_errors import PointModel, PointValues
from harness.evaluation.ratio.waveform_difference import WaveformDifference
from harness.evaluation.validation.monte_carlo import Draws


def currents(model: PointModel, draws: Draws) -> tuple[Array, Array]:
    """Reference and indicated current of a point, amperes (the model at the top of `point_errors`)."""
    read = (
        model.reading / (1.0 + model.reading_error.drawn(draws))
        + draws(model.offset)
        + draws(model.reference_resolution)
    )
    reference = model.path_factor * read / (1.0 + model.path_error.drawn(draws))
    indicated = model.indicated + draws(model.display_resolution) + draws(model.repeatability) + draws(model.pairing)
    return np.broadcast_to(reference, draws.trials), np.broadcast_to(indicated, draws.trials)


def ratio_error(model: PointModel, draws: Draws) -> Array:
    reference, indicated = currents(model, draws)
    return indicated / reference - 1.0


def effective_turns(expected_turns: int, found: Multiplier, draws: Draws) -> Array:
    """The turns of a range from its comparisons with the base range."""
    mean = draws(found.apart)
    for weight, compared in zip(found.weights, found.compared, strict=True):
        base = sum(part * _mean_ratio(place, draws) for part, place in compared.base)
        mean = mean + weight * _mean_ratio(compared.own, draws) / base * (1.0 + compared.difference.drawn(draws))
    turns: Array = expected_turns * mean
    return turns


def reading_factor(points: Sequence[PointValues], draws: Draws) -> Array:
    """Sum of indicated over sum of reference currents."""
    read = [currents(v.model, draws) for v in points if v.model is not None]
    factor: Array = np.sum([x for _, x in read], axis=0) / np.sum([i for i, _ in read], axis=0)
    return factor


def influence_of_waveform(found: WaveformDifference, draws: Draws) -> Array:
    """The ratio error with another waveform less that with a sine, and what the meter's own curve may do between the two currents."""
    errors = [ratio_error(v.model, draws) for v in (found.point, found.sine) if v.model is not None]
    difference: Array = errors[0] - errors[1] + draws(found.between)
    return difference


def power_error(model: PowerModel, draws: Draws) -> Array:
    """The error of active power of a point."""
    return np.broadcast_to(_power_ratio(model, draws) - 1.0, draws.trials)


def phase_displacement(near: PowerModel, far: PowerModel, draws: Draws) -> Array:
    """The phase displacement in minutes of arc from two points: atan2(b, a) of the line 1 + e = a + b tan(phi) through both."""
    (first, at_first), (second, at_second) = ((_power_ratio(m, draws), np.tan(_angle(m, draws))) for m in (near, far))
    b = (second - first) / (at_second - at_first)
    return np.broadcast_to(MINUTES_PER_RADIAN * np.arctan2(b, first - b * at_first), draws.trials)


def _mean_ratio(place: RatioAtCurrent, draws: Draws) -> Array:
    """Mean of indicated over reference current of the points at one place."""

    def mean() -> Array:
        read = [currents(v.model, draws) for v in place.points if v.model is not None]
        ratio: Array = np.mean([indicated / reference for reference, indicated in read], axis=0)
        return ratio

    found: Array = draws.once(("place", id(place)), mean)
    return found


def _power_ratio(model: PowerModel, draws: Draws) -> Array:
    """Indicated over true power: at the true angle that is the power read times cos(phi) / cos(phi').

    `power_errors` has the first order in the analyser's own angle instead, through its tangent.
    """
    gain = 1.0 + sum(draws(v) for v in model.relative)
    read = model.reading * gain * np.cos(_angle(model, draws)) / np.cos(model.phase) + draws(model.resolution)
    indicated = model.indicated + sum(draws(v) for v in model.displayed)
    ratio: Array = indicated * (1.0 + model.path_error.drawn(draws)) / (model.path_factor * read)
    return ratio


def _angle(model: PowerModel, draws: Draws) -> Array:
    """The true angle: that read (phi'), the one between the analyser's own channels and the reference path's phase displacement."""
    angle: Array = model.phase + draws(model.own_angle) + model.path_angle.drawn(draws)
    return angle
