"""Whether the readings of a run follow one another, and how closely.

With four pairs one point says nothing of that; all points of a run do. They are asked together and not range by range,
since display and reference are the same on every range.
"""

import functools
import itertools
import math
from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.evaluation.uncertainty.gum_formulas import type_a

FOLLOWING = 2.326
"""Standard deviations by which the lag-1 coefficients must exceed those of independent readings: in 1 % of runs they do by chance."""

CLOSEST = 0.9
"""A correlation of successive readings above this is taken as this: the readings then say next to nothing."""

EXACT_UP_TO = 200
"""Readings of a point up to which matrices of all of them are worked with; beyond, series in 1/n, whose error is 0.0013 there."""

NODES, WEIGHTS = np.polynomial.legendre.leggauss(80)

ARITHMETIC = 1e-6
"""Part of a step by which the arithmetic may make two residuals differ by more."""


def lag_one(values: Sequence[float]) -> float:
    """Autocorrelation coefficient r(1) of `values` about their mean (as certified in NIST's StRD); 0 when all are equal."""
    mean = type_a(values).mean
    left = [v - mean for v in values]
    squares = math.fsum(d * d for d in left)
    return math.fsum(a * b for a, b in itertools.pairwise(left)) / squares if squares else 0.0


def more_than_rounding(residuals: Sequence[float], step: float) -> bool:
    """Whether `residuals` differ by more than what is rounded to `step` may.

    What is rounded lies within half a step of what it stands for. A display that stands still while the load wanders, or
    crosses from one value to the next, leaves residuals that follow one another closely; its resolution covers that.
    """
    return max(residuals) - min(residuals) > step * (1 + ARITHMETIC)


def following(groups: Sequence[Sequence[float]]) -> float:
    """Correlation of successive residuals over all `groups`, 0 when it is not larger than chance makes it.

    A permutation test: readings that do not follow one another could have come in any order. r(1) over all orders of n
    residuals has the mean -1/n, whatever their distribution, and the variance of `variance_over_orders`; that of all points together is
    nearly normal. Only following is looked for: readings that alternate make s / sqrt(n) too large, not too small.
    """
    used = [g for g in groups if len(g) >= 3 and any(g)]
    if not used:
        return 0.0
    found = [lag_one(g) for g in used]
    excess = math.fsum(r + 1 / len(g) for r, g in zip(found, used, strict=True))
    if excess <= FOLLOWING * math.sqrt(math.fsum(variance_over_orders(g) for g in used)):
        return 0.0
    counts = Counter(len(g) for g in used)
    low, high = 0.0, CLOSEST
    for _ in range(30):
        middle = (low + high) / 2
        expected = math.fsum(times * expected_lag_one(count, middle) for count, times in counts.items())
        low, high = (middle, high) if expected < math.fsum(found) else (low, middle)
    return (low + high) / 2


def centred_covariance(count: int, correlation: float) -> NDArray[np.float64]:
    """Covariance matrix of `count` readings of variance 1 about their own mean, correlation^lag between them."""
    orders = np.arange(count)
    between = correlation ** np.abs(orders[:, None] - orders[None, :])
    rows = between.mean(axis=1)
    centred: NDArray[np.float64] = between - rows[:, None] - rows[None, :] + rows.mean()
    return centred


def variance_over_orders(residuals: Sequence[float]) -> float:
    """Variance of r(1) over all orders of `residuals`, whose sum is 0 (after Wald and Wolfowitz 1943, Ann. Math. Stat. 14, 378).

    They have it for readings in a circle. In a line, (sum d_j d_j+1)^2 has n - 1 squares, 2 (n - 2) products that share a
    reading and (n - 2)(n - 3) that share none; the mean of each over all orders follows from the sums of d^2 and d^4.
    """
    n, m2, m4 = len(residuals), math.fsum(d**2 for d in residuals), math.fsum(d**4 for d in residuals)
    kurtosis = m4 / m2**2
    squares, sharing, apart = 1 - kurtosis, 2 * kurtosis - 1, 3 - 6 * kurtosis
    return max(0.0, squares / n + (2 * sharing + apart) / (n * (n - 1)) - 1 / n**2)


@functools.lru_cache(maxsize=1024)
def effective_number(count: int, correlation: float) -> float:
    """The number of independent readings worth `count` readings whose correlation falls as correlation^lag (Zieba 2010)."""
    return count / (1 + 2 * math.fsum((1 - k / count) * correlation**k for k in range(1, count)))


@functools.lru_cache(maxsize=1024)
def freedom_of_scatter(count: int, correlation: float) -> float:
    """Degrees of freedom of s^2: those of a sum of squares of unequal parts (Satterthwaite 1946); n - 1 without correlation.

    With C = M R M, R the correlation of the readings and M what takes off their mean, they are tr(C)^2 / tr(C^2). Beyond
    `EXACT_UP_TO` by the sums over lags and rows that the elements correlation^lag of R leave of both.
    """
    if correlation == 0:
        return float(count - 1)
    if count <= EXACT_UP_TO:
        centred = centred_covariance(count, correlation)
        return float(np.trace(centred) ** 2 / np.sum(centred * centred))
    lags = np.arange(1, count)
    powers = correlation**lags
    whole, squares = (count + 2 * float((count - lags) @ p) for p in (powers, powers**2))
    before = np.concatenate([[0.0], np.cumsum(powers)])
    rows = 1 + before + before[::-1]
    return (count - whole / count) ** 2 / (squares - 2 * float(rows @ rows) / count + (whole / count) ** 2)


@functools.lru_cache(maxsize=1024)
def expected_lag_one(count: int, correlation: float) -> float:
    """Expected r(1) of `count` normal readings about their own mean; -1/n without correlation.

    The mean of a ratio of quadratic forms, which is not the ratio of their means: with eigenvalues l of the covariance and m
    the products of neighbours in its eigenvectors, it is the integral over t > 0 of sum m l / (1 + 2 t l) / prod sqrt(1 + 2 t l).
    Beyond `EXACT_UP_TO` to the order 1/n (Marriott and Pope 1954, Kendall 1954, Biometrika 41, 390 and 403; value from memory).
    """
    if count > EXACT_UP_TO:
        return correlation - (1 + 4 * correlation) / count
    values, vectors = np.linalg.eigh(centred_covariance(count, correlation))
    values = np.maximum(values, 0.0) / values.sum()
    products = np.einsum("ij,ij->j", vectors[:-1], vectors[1:])
    t = count * (1 + NODES) / (1 - NODES)
    grown = 1 + 2 * t[:, None] * values
    inner = (products * values / grown).sum(axis=1) * np.exp(-np.log(grown).sum(axis=1) / 2)
    return float(np.sum(WEIGHTS * inner * 2 * count / (1 - NODES) ** 2))
