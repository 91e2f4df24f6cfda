"""Validation of the law of propagation: every result against the propagation of distributions (JCGM 101:2008, clause 8).

The models stand here a second time, in plain arrays: the linearisation, the sharing of inputs and the coverage factors
are what is being checked, so nothing of them is used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.ratio.effective_turns import Multiplier, RatioAtCurrent
from harness.evaluation.ratio.point_errors import PointModel, PointValues
from harness.evaluation.uncertainty.combination import Contribution
from harness.evaluation.uncertainty.input_quantities import InputQuantities
from harness.evaluation.validation.monte_carlo import BLOCK, SEED, Draws, TrialModel, numerical_tolerance, run_trials
from harness.results import ValidatedQuantity, Validation


@dataclass(frozen=True)
class Check:
    """A result to be validated: its value with standard and expanded uncertainty in `unit`, and the model it comes from."""

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    unit: str
    model: TrialModel


def currents(model: PointModel, draws: Draws) -> tuple[Array, Array]:
    """Reference and indicated current of a point in every trial, amperes (the model at the top of `point_errors`)."""
    read = (
        model.reading / (1.0 + model.reading_error.drawn(draws))
        + draws(model.offset)
        + draws(model.reference_resolution)
    )
    reference = model.path_factor * read / (1.0 + model.path_error.drawn(draws))
    indicated = model.indicated + draws(model.display_resolution) + draws(model.repeatability) + draws(model.pairing)
    return np.broadcast_to(reference, draws.trials), np.broadcast_to(indicated, draws.trials)


def ratio_error(model: PointModel) -> TrialModel:

    def in_every_trial(draws: Draws) -> Array:
        reference, indicated = currents(model, draws)
        return indicated / reference - 1.0

    return in_every_trial


def effective_turns(expected_turns: int, found: Multiplier) -> TrialModel:
    """The turns of a range from its comparisons with the base range."""

    def in_every_trial(draws: Draws) -> Array:
        mean = draws(found.apart)
        for weight, compared in zip(found.weights, found.compared, strict=True):
            base = sum(part * _ratio(place, draws) for part, place in compared.base)
            mean = mean + weight * _ratio(compared.own, draws) / base * (1.0 + compared.difference.drawn(draws))
        turns: Array = expected_turns * mean
        return turns

    return in_every_trial


def reading_factor(points: Sequence[PointValues]) -> TrialModel:
    """Sum of indicated over sum of reference currents."""

    def in_every_trial(draws: Draws) -> Array:
        read = [currents(v.model, draws) for v in points if v.model is not None]
        factor: Array = np.sum([x for _, x in read], axis=0) / np.sum([i for i, _ in read], axis=0)
        return factor

    return in_every_trial


def validate(checks: Mapping[str, Check], inputs: InputQuantities, trials: int, probability: float) -> Validation:
    """Compare the interval value +- U of every check with that of at least `trials` trials.

    Both ends must agree within the numerical tolerance of two significant digits of the standard uncertainty. Where they
    miss it by less than twice the trials' own uncertainty of the end, the trials cannot tell.
    """
    distributions = {
        variable: Contribution(float(variable.std_dev), source.distribution, source.degrees_of_freedom)
        for variable, source in inputs.sources.items()
    }
    found = run_trials({name: check.model for name, check in checks.items()}, distributions, trials, probability)
    quantities = []
    for name, check in checks.items():
        ends, tolerance = found[name], numerical_tolerance(check.standard_uncertainty)
        low, high = check.value - check.expanded_uncertainty, check.value + check.expanded_uncertainty
        quantities.append(
            ValidatedQuantity(
                name=name,
                unit=check.unit,
                low=low,
                high=high,
                monte_carlo_low=ends.low,
                monte_carlo_high=ends.high,
                monte_carlo_uncertainty=max(ends.low_uncertainty, ends.high_uncertainty),
                tolerance=tolerance,
                outcome=_outcome(
                    (abs(low - ends.low), ends.low_uncertainty),
                    (abs(high - ends.high), ends.high_uncertainty),
                    tolerance,
                ),
            )
        )
    made = max(2, -(-trials // BLOCK)) * BLOCK
    return Validation(trials=made, seed=SEED, coverage_probability=probability, quantities=tuple(quantities))


def _outcome(
    low: tuple[float, float], high: tuple[float, float], tolerance: float
) -> Literal["agrees", "differs", "undecided"]:
    """The outcome from the distance of either end with its uncertainty."""
    if low[0] <= tolerance and high[0] <= tolerance:
        return "agrees"
    missed = any(distance - 2 * uncertainty > tolerance for distance, uncertainty in (low, high))
    return "differs" if missed else "undecided"


def _ratio(place: RatioAtCurrent, draws: Draws) -> Array:
    """Mean of indicated over reference current of the points at one place."""

    def mean() -> Array:
        read = [currents(v.model, draws) for v in place.points if v.model is not None]
        ratio: Array = np.mean([indicated / reference for reference, indicated in read], axis=0)
        return ratio

    found: Array = draws.once(("place", id(place)), mean)
    return found
