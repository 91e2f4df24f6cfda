"""Probability of the data under a hypothesis: a multivariate normal density with the unknowns integrated out.

With B the covariance of data and of what no hypothesis models, and U the columns of a hypothesis, the covariance is B + U U'.
B is common to all, so its root is found once, and the matrix inversion and determinant lemmas leave a small matrix for each
hypothesis (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, A.3; value from memory).
"""

import math
from dataclasses import dataclass
from statistics import median

import numpy as np

from harness.core.arrays import Array, Flags, Indices
from harness.evaluation.diagnosis.evidence import POWER, RATIO, SECONDARY, ZERO, Observations
from harness.evaluation.diagnosis.predictions import Predictions
from harness.evaluation.uncertainty.distributions import NORMAL, chi_squared_beyond
from harness.evaluation.uncertainty.shared_inputs import SharedCovariance, Whitener, whitener

SAME = 0.1
"""Predictions that nowhere differ by more than this part of the readings' standard uncertainty count as one."""

OF_WAVEFORM, OF_DIRECT_PART = 3.0, 20.0
"""Unmodelled errors of a current that is no sine, and of one with a direct part, over those of a sine: a waveform departs from the one named. Judgements."""

TINY = 1e-5
"""Smallest variance, which keeps a covariance of values without uncertainty invertible."""


@dataclass(frozen=True)
class Fits:
    """Log density and chi-squared (h,) of h hypotheses, and the equations for the k unknowns that act: `precision` (h, k, k) times
    the unknowns, in prior deviations from their priors' means, are `projected` (h, k).
    """

    log: Array
    chi_squared: Array
    precision: Array
    projected: Array

    def probability(self, index: int, count: int) -> float:
        """Probability of a fit as poor as that of one hypothesis to `count` data, or of an unknown as odd, whichever is less.

        Chi-squared with as many degrees of freedom as there are data, and the normal distribution for the oddest of the
        unknowns that act, times their number (Bonferroni).
        """
        unknowns = np.abs(np.linalg.solve(self.precision[index], self.projected[index]))
        poor = chi_squared_beyond(float(self.chi_squared[index]), count)
        odd = 2 * NORMAL.cumulative(-unknowns.max(initial=0.0)) * max(1, int(np.count_nonzero(unknowns)))
        return min(poor, odd, 1.0)


@dataclass(frozen=True)
class Alternative:
    """A broad alternative, which expects no errors: `columns` (n, k) as of `Predictions`, `own` (n,) variances of unknowns that act on one reading each."""

    columns: Array
    own: Array


@dataclass(frozen=True)
class Density:
    """The data, the covariance all hypotheses have in `common`, and its whitener."""

    data: Observations
    common: SharedCovariance
    whitener: Whitener

    def near(self, means: Array, other: Array) -> Flags:
        """Flags (h,) of hypotheses whose `means` (h, n) are nowhere further from `other` ones than what counts as one."""
        apart = np.abs(means - other) / np.sqrt(self.common.variances)
        found: Flags = apart.max(axis=1) < SAME
        return found

    def same(self, one: Predictions, other: Predictions, of: Indices) -> Flags:
        """Flags (h,) of the hypotheses that predict what the `other` ones at indices `of` (h,) do, unknowns included."""
        found = self.near(one.means, other.means[of])
        apart = np.abs(one.columns[found] - other.columns[of[found]]).max(axis=2)
        found[found] = self.near(apart, np.zeros(1))
        return found

    def of(self, predictions: Predictions) -> Fits:
        """Fit each of h hypotheses."""
        acting = predictions.columns[:, :, predictions.columns.any(axis=(0, 1))]
        left = self.data.values - predictions.means
        # A product for each hypothesis and not one for all: so small, it stays on one processor, which is quicker.
        white = self.whitener(np.concatenate([left[:, :, None], acting], axis=2))
        gram = np.swapaxes(white, 1, 2) @ white
        inner, projected = gram[:, 1:, 1:] + np.eye(acting.shape[2]), gram[:, 1:, :1]
        factor = np.linalg.cholesky(inner)
        chi_squared = gram[:, 0, 0] - np.sum(np.linalg.solve(factor, projected) ** 2, axis=(1, 2))
        inner_determinant = 2 * np.sum(np.log(np.diagonal(factor, axis1=1, axis2=2)), axis=1)
        constant = self.whitener.log_determinant + len(self.data.values) * math.log(2 * math.pi)
        return Fits(-0.5 * (chi_squared + inner_determinant + constant), chi_squared, inner, projected[:, :, 0])

    def of_alternative(self, broad: Alternative) -> float:
        """Log density under a broad alternative."""
        common = self.common.beside(broad.own)
        widened = Density(self.data, common, whitener(common))
        return float(widened.of(Predictions(np.zeros((1, len(broad.own))), broad.columns[None])).log[0])


def density(data: Observations, shape: float) -> Density:
    """`shape`: standard deviation of unmodelled errors, as a fraction of the reading."""
    common = data.covariance.beside(unmodelled(data, shape) ** 2 + TINY**2)
    return Density(data, common, whitener(common))


def unmodelled(data: Observations, shape: float) -> Array:
    """Standard deviation of unmodelled errors (n,), a part of each reading."""
    kind = data.settings.kind
    # For power at an angle, the phase displacement is not exactly of the shape assumed either.
    angle = 1 + np.abs(data.settings.tangent) * (kind == POWER)
    direct = np.array([not w.symmetrical for w in data.settings.waveform], dtype=bool)
    waveform = np.where(direct, OF_DIRECT_PART, np.where(data.settings.shaped, OF_WAVEFORM, 1.0))
    found: Array = shape * angle * waveform * np.abs(1 + data.values) * (kind != ZERO)
    return found


def broad(data: Observations, ranges: int) -> list[Alternative]:
    """Broad alternatives for causes not in the catalogue: ranges off by parts of their own, errors that change smoothly with
    current (on all ranges alike or on each for itself), and errors that come and go from point to point.
    """
    at = data.settings
    secondary = at.kind == SECONDARY
    flowing = (at.kind == RATIO) | (at.kind == POWER) | secondary
    # What is wrong in the module does not show in the secondary: there a range is another one.
    place = at.rng + ranges * secondary
    ranges *= 1 + int(secondary.any())
    on_range = (place[:, None] == np.arange(ranges)).astype(float) * flowing[:, None]
    # Zeros and thresholds are free, each for itself.
    others = (~flowing).astype(float)
    decades = np.log10(np.maximum(at.current, 1e-9))
    # Python's median, since numpy's loads what it has for masked arrays.
    middles = np.array([median(decades[place == r]) if np.any(place == r) else 0.0 for r in range(ranges)])
    load = decades - middles[place]
    free = 0.5 * on_range
    found = [Alternative(np.concatenate([free, 0.003 * on_range * load[:, None]], axis=1), others)]
    for size in (0.003, 0.03, 0.3):
        bumps = size * _bumps(load) * flowing[:, None]
        own = np.concatenate([bumps * on_range[:, [r]] for r in range(ranges)], axis=1)
        found.append(Alternative(np.concatenate([bumps, free * 0.1], axis=1), others * 0.1**2))
        found.append(Alternative(np.concatenate([own, free], axis=1), others))
        found.append(Alternative(free * 0.1, size**2 * flowing + others * 0.1**2))
    return found


def _bumps(decades: Array) -> Array:
    """Overlapping smooth bumps, half a decade wide and apart, over all currents (n, m)."""
    middles = np.arange(decades.min() - 0.25, decades.max() + 0.5, 0.5)
    bumps: Array = np.exp(-0.5 * ((decades[:, None] - middles) / 0.5) ** 2)
    return bumps
