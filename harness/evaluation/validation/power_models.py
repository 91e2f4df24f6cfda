"""The models of power error and phase displacement a second time, for validating them by trials (see `ratio_models`).

Written out exactly and in plain arrays: with phi' the angle read, alpha the angle between the analyser's own channels and
beta the phase displacement of the reference path, the true angle is phi = phi' + alpha + beta and the true power the read one times
cos(phi) / cos(phi'). `power_errors` has the first order in alpha instead, through its tangent.
"""

from __future__ import annotations

import numpy as np

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.arrays import Array
from harness.evaluation.power.power_errors import PowerModel
from harness.evaluation.validation.monte_carlo import Draws, TrialModel


def power_error(model: PowerModel) -> TrialModel:
    """The error of active power of a point, in every trial."""

    def in_every_trial(draws: Draws) -> Array:
        return np.broadcast_to(_ratio(model, draws) - 1.0, draws.trials)

    return in_every_trial


def phase_displacement(near: PowerModel, far: PowerModel) -> TrialModel:
    """The phase displacement in minutes of arc from two points: atan2(b, a) of the line 1 + e = a + b tan(phi) through both."""

    def in_every_trial(draws: Draws) -> Array:
        (first, at_first), (second, at_second) = ((_ratio(m, draws), np.tan(_angle(m, draws))) for m in (near, far))
        b = (second - first) / (at_second - at_first)
        return np.broadcast_to(MINUTES_PER_RADIAN * np.arctan2(b, first - b * at_first), draws.trials)

    return in_every_trial


def _ratio(model: PowerModel, draws: Draws) -> Array:
    """Indicated over true power."""
    angle = _angle(model, draws)
    gain = 1.0 + sum(draws(v) for v in model.relative)
    read = model.reading * gain * np.cos(angle) / np.cos(model.phase) + draws(model.resolution)
    indicated = model.indicated + sum(draws(v) for v in model.displayed)
    ratio: Array = indicated * (1.0 + model.path_error.drawn(draws)) / (model.path_factor * read)
    return ratio


def _angle(model: PowerModel, draws: Draws) -> Array:
    angle: Array = model.phase + draws(model.own_angle) + model.path_angle.drawn(draws)
    return angle
