"""Propagation of distributions (JCGM 101:2008): every input drawn from its own distribution, the model evaluated for every draw.

Trials are made block by block, so memory does not grow with their number, and the interval of each block is kept: the mean
over the blocks is the result, their scatter its own uncertainty (7.9.4). Every input has a generator of its own, so what is
drawn for it does not depend on which quantities ask for it, nor in which order. Same inputs, same numbers.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.uncertainty.gum_formulas import Contribution

BLOCK = 20_000
"""Trials in a block; JCGM 101:2008, 7.9.4 asks for the larger of 100 / (1 - p) and 10^4."""

SEED = 101


class Draws:
    """One block of trials: deviations of every input, one number a trial, drawn when first asked for."""

    def __init__(self, inputs: Mapping[Any, Contribution], block: int, trials: int = BLOCK) -> None:
        self.trials = trials
        self._inputs = inputs
        self._order = {variable: n for n, variable in enumerate(inputs)}
        self._block = block
        self._kept: dict[Any, Any] = {}

    def __call__(self, variable: Any) -> Any:
        """The deviations of `variable` from its estimate, shape (trials,); 0.0 for what is no input."""
        if variable not in self._inputs:
            return 0.0
        return self.once(variable, lambda: self._drawn(variable))

    def once(self, key: Any, compute: Callable[[], Any]) -> Any:
        """The result of `compute`, computed once a block."""
        if key not in self._kept:
            self._kept[key] = compute()
        return self._kept[key]

    def _drawn(self, variable: Any) -> Array:
        """Deviations by JCGM 101:2008, 6.4.2 (rectangular), 6.4.7 (normal), 6.4.9 (type A: scaled and shifted t)."""
        part = self._inputs[variable]
        generator = np.random.default_rng([SEED, self._order[variable], self._block])
        if part.distribution == "rectangular":
            half_width = math.sqrt(3) * part.standard_uncertainty
            return generator.uniform(-half_width, half_width, self.trials)
        if math.isinf(part.degrees_of_freedom):
            return part.standard_uncertainty * generator.standard_normal(self.trials)
        return part.standard_uncertainty * generator.standard_t(part.degrees_of_freedom, self.trials)


TrialModel = Callable[[Draws], Array]
"""A model: the value of a quantity in every trial, from the draws of its inputs."""


@dataclass(frozen=True)
class Simulated:
    """Results of the trials for one quantity, in its unit: ends of the coverage interval, standard uncertainty of either end."""

    low: float
    high: float
    low_uncertainty: float
    high_uncertainty: float


def symmetric(values: Array, probability: float) -> tuple[float, float]:
    """The probabilistically symmetric coverage interval of sorted `values` (JCGM 101:2008, 7.7.2)."""
    inside = round(probability * len(values))
    first = (len(values) - inside) // 2
    return float(values[first]), float(values[min(first + inside, len(values) - 1)])


def run_trials(
    quantities: Mapping[str, TrialModel],
    inputs: Mapping[Any, Contribution],
    trials: int,
    probability: float,
) -> dict[str, Simulated]:
    """Coverage intervals of `quantities` for `probability` from at least `trials` trials in whole blocks, two or more."""
    blocks = max(2, math.ceil(trials / BLOCK))
    ends = np.empty((blocks, len(quantities), 2))
    for block in range(blocks):
        draws = Draws(inputs, block)
        for n, quantity in enumerate(quantities.values()):
            ends[block, n] = symmetric(np.sort(quantity(draws)), probability)
    means, spread = ends.mean(axis=0), ends.std(axis=0, ddof=1) / math.sqrt(blocks)
    return {
        name: Simulated(float(means[n, 0]), float(means[n, 1]), float(spread[n, 0]), float(spread[n, 1]))
        for n, name in enumerate(quantities)
    }


def numerical_tolerance(standard_uncertainty: float, digits: int = 2) -> float:
    """Half a unit of the last of `digits` significant digits of a standard uncertainty (JCGM 101:2008, 7.9.2)."""
    if standard_uncertainty <= 0:
        return 0.0
    # Written down and read back, so that a carry (0.0996 is 0.10) has happened.
    exponent = int(f"{standard_uncertainty:.{digits - 1}e}".partition("e")[2])
    return 0.5 * 10.0 ** (exponent - digits + 1)
