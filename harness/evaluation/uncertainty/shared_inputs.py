"""Covariance of many values that share few inputs, kept without a matrix of all by all: what it costs grows with their number.

With D the diagonal matrix of what each value has to itself and C the effects of the shared inputs, the covariance is D + C C'. Where A, which is
D^(-1/2) C, has left singular vectors Q and singular values s, D^(1/2) (1 + A A') D^(1/2) is the same, and 1 + A A' has the
eigenvectors Q with the eigenvalues 1 + s^2 and otherwise 1 (Golub and Van Loan, Matrix Computations, 2.4; value from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.core.arrays import Array, Indices


@dataclass(frozen=True)
class SharedCovariance:
    """Of n values with r inputs in common. `own` (n,): variances of what no other value has. `shared` (n, r): what each input does to
    each value at one standard deviation.
    """

    own: Array
    shared: Array

    @property
    def variances(self) -> Array:
        """Diagonal of the matrix (n,)."""
        found: Array = self.own + np.sum(self.shared**2, axis=1)
        return found

    def between(self, first: Indices, second: Indices) -> Array:
        """Rows `first` and columns `second` of the matrix."""
        alike = first[:, None] == second
        found: Array = self.shared[first] @ self.shared[second].T + alike * self.own[first][:, None]
        return found

    def beside(self, own: Array | float, shared: Array | None = None) -> SharedCovariance:
        """With further variances (n,), and further inputs (n, m) that values share."""
        return SharedCovariance(self.own + own, self.shared if shared is None else np.hstack([self.shared, shared]))


@dataclass(frozen=True)
class Whitener:
    """Root of the inverse of a covariance, and the logarithm of its determinant.

    `deviations` (n,) by which values are divided, and `directions` (n, r), as long as what is then taken off along each.
    """

    deviations: Array
    directions: Array
    log_determinant: float

    def __call__(self, values: Array) -> Array:
        """`values` (..., n, k) such that products of what is returned are those with the inverse of the covariance between."""
        alone = values / self.deviations[:, None]
        found: Array = alone - self.directions @ (self.directions.T @ alone)
        return found


def whitener(covariance: SharedCovariance) -> Whitener:
    """Of a covariance in which every value has some variance to itself."""
    deviations = np.sqrt(covariance.own)
    vectors, values, _ = np.linalg.svd(covariance.shared / deviations[:, None], full_matrices=False)
    directions = vectors * np.sqrt(1 - 1 / np.sqrt(1 + values**2))
    return Whitener(deviations, directions, float(np.sum(np.log(covariance.own)) + np.sum(np.log1p(values**2))))


def shared_covariance(values: Sequence[Any]) -> SharedCovariance:
    """Covariance of n values of `uncertainties` (JCGM 100:2008, F.1.2.3), inputs in the order in which they first appear."""
    counts: dict[Any, int] = {}
    for value in values:
        for variable in value.derivatives:
            counts[variable] = counts.get(variable, 0) + 1
    columns = {variable: n for n, variable in enumerate(v for v, count in counts.items() if count > 1)}
    own, shared = np.zeros(len(values)), np.zeros((len(values), len(columns)))
    for row, value in enumerate(values):
        for variable, derivative in value.derivatives.items():
            size = derivative * variable.std_dev
            if variable in columns:
                shared[row, columns[variable]] = size
            else:
                own[row] += size**2
    return SharedCovariance(own, shared)
