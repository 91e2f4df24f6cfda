"""Whether the law of propagation was good enough: every result against the propagation of distributions (JCGM 101:2008, clause 8).

The models stand here a second time, in plain arrays: the linearisation, the sharing of inputs, the coverage factors and
the fixed weights of the line are what is being checked, so nothing of them is used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.evaluation.monte_carlo import BLOCK, SEED, Array, Draws, Quantity, numerical_tolerance, simulate
from harness.evaluation.points import Inputs, PointModel
from harness.evaluation.slope import Slope
from harness.evaluation.uncertainty import Contribution
from harness.results import ValidatedQuantity, Validation

ROUNDS = 5
"""Iterations of the line in each trial. They start at the line of the estimates, which is a few parts in 10^4 away."""


@dataclass(frozen=True)
class Check:
    """A result to be validated: its value with standard and expanded uncertainty in `unit`, and the model it comes from."""

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    unit: str
    model: Quantity


def currents(model: PointModel, draws: Draws) -> tuple[Array, Array]:
    """Reference and indicated current of a point in every trial, amperes (the model at the top of `points`)."""
    read = (
        model.reading / (1.0 + model.reading_error.drawn(draws))
        + draws(model.offset)
        + draws(model.reference_resolution)
    )
    reference = model.path_factor * read / (1.0 + model.path_error.drawn(draws))
    indicated = model.indicated + draws(model.display_resolution) + draws(model.repeatability) + draws(model.pairing)
    return np.broadcast_to(reference, draws.trials), np.broadcast_to(indicated, draws.trials)


def ratio_error(model: PointModel) -> Quantity:
    """The ratio error of a point."""

    def in_every_trial(draws: Draws) -> Array:
        reference, indicated = currents(model, draws)
        return indicated / reference - 1.0

    return in_every_trial


def effective_turns(expected_turns: int, slope: Slope, base: Slope | None) -> Quantity:
    """The turns of a range, relative to the `base` range where there is one."""

    def in_every_trial(draws: Draws) -> Array:
        own = _slope(slope, draws)
        return expected_turns * (own if base is None else own / _slope(base, draws))

    return in_every_trial


def validate(checks: Mapping[str, Check], inputs: Inputs, trials: int, probability: float) -> Validation:
    """Compare the interval value +- U of every check with that of at least `trials` trials.

    Both ends must agree within the numerical tolerance of two significant digits of the standard uncertainty. Where they
    miss it by less than twice the trials' own uncertainty of the end, the trials cannot tell.
    """
    distributions = {
        variable: Contribution(float(variable.std_dev), source.distribution, source.degrees_of_freedom)
        for variable, source in inputs.sources.items()
    }
    found = simulate({name: check.model for name, check in checks.items()}, distributions, trials, probability)
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
    """From the distance of either end with its uncertainty."""
    if low[0] <= tolerance and high[0] <= tolerance:
        return "agrees"
    missed = any(distance - 2 * uncertainty > tolerance for distance, uncertainty in (low, high))
    return "differs" if missed else "undecided"


def _slope(slope: Slope, draws: Draws) -> Array:
    found: Array = draws.once(("slope", id(slope)), lambda: _slope_drawn(slope, draws))
    return found


def _slope_drawn(slope: Slope, draws: Draws) -> Array:
    """The line of York et al. (2004, equation 13) fitted anew in every trial, with the weights its own slope gives."""
    pairs = [currents(v.model, draws) for v in slope.points if v.model is not None]
    x, y = np.array([reference for reference, _ in pairs]), np.array([indicated for _, indicated in pairs])
    if slope.line is None:
        ratio: Array = y[0] / x[0] + draws(slope.departure)
        return ratio
    var_x = np.array([v.random_reference**2 for v in slope.points])[:, None]
    var_y = np.array([v.random_indicated**2 for v in slope.points])[:, None]
    b = np.full(draws.trials, slope.line.slope)
    for _ in range(ROUNDS):
        weights = 1.0 / (var_y + b**2 * var_x)
        whole = weights.sum(axis=0)
        u, v = x - (weights * x).sum(axis=0) / whole, y - (weights * y).sum(axis=0) / whole
        weighted = weights * weights * (u * var_y + b * v * var_x)
        b = (weighted * v).sum(axis=0) / (weighted * u).sum(axis=0)
    slopes: Array = b + draws(slope.departure)
    return slopes
