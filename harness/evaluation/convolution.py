"""The distribution of a sum of rectangles and one bell: how wide an interval must be to hold a given probability.

The sum is symmetric, so P(|S| <= x) follows from its characteristic function phi (JCGM 101:2008, 5.10 leaves the way open).
On a circle of circumference 2 L the sum has the Fourier series

    P(|S| <= x) = x / L + 2 / pi  sum over n of  phi(n pi / L) sin(n pi x / L) / n

and what a t-distribution has beyond L, which the circle lays over the inside, is taken off again. Numerical and not drawn at
random: the same budget has the same factor to the last digit, the 42 points of a run take some 20 ms, and there is no noise
to explain when two neighbouring points differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

MOST_TERMS = 8192
"""Enough for a rectangle with nothing beside it, where the terms fall slowest: the rest is below 1e-8."""

BELL_OF_BESSEL = 100.0
"""Up to so many degrees of freedom the t-distribution is taken as it is; above, as the normal of the same half-width."""

NEGLIGIBLE = 1e-5
"""A bell this much narrower than the rectangles together changes no digit anyone prints."""

HALVINGS = 32
"""Few enough that the last bits of a sine, which differ between processors, do not reach the result."""


def half_width(half_widths: Sequence[float], scale: float, degrees_of_freedom: float, probability: float) -> float:
    """Half-width of the interval holding `probability` of the sum of rectangles and a t-distribution.

    `half_widths` of the rectangles (at least one), `scale` of the t-distribution (0 for none) with `degrees_of_freedom`,
    infinite for a normal distribution; all in one unit, in which the result is too.
    """
    from scipy.special import ndtri, stdtrit

    reach = float(math.fsum(half_widths))
    upper = (1 + probability) / 2
    t = float(ndtri(upper) if math.isinf(degrees_of_freedom) else stdtrit(degrees_of_freedom, upper))
    if BELL_OF_BESSEL < degrees_of_freedom < math.inf:
        scale, t = scale * t / float(ndtri(upper)), float(ndtri(upper))
        degrees_of_freedom = math.inf
    if scale < NEGLIGIBLE * reach:
        scale = 0.0
    length = (
        2 * reach + max(12.0, 4.0 * t) * scale
        if math.isfinite(degrees_of_freedom)
        else reach + 9 * scale + 0.01 * reach
    )
    angles, terms = _series(half_widths, scale, degrees_of_freedom, length)
    low, high = 0.0, reach + t * scale
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        inside = middle / length + 2 / math.pi * float(np.sum(terms * np.sin(angles * middle)))
        inside -= _laid_over(middle, length, scale, degrees_of_freedom)
        if inside < probability:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _series(
    half_widths: Sequence[float], scale: float, freedom: float, length: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The angles n pi / L and the terms phi(n pi / L) / n, as many as there are worth having."""
    needed = math.inf
    if scale:
        # The exponents of exp(-38) at which the bell's own characteristic function ends.
        needed = length / (math.pi * scale) * (8.7 if math.isinf(freedom) else 38.0 / math.sqrt(freedom))
    orders = np.arange(1, 1 + min(MOST_TERMS, math.ceil(min(needed, MOST_TERMS))), dtype=np.float64)
    angles = orders * (math.pi / length)
    terms = _bell(angles * scale, freedom) / orders if scale else 1.0 / orders
    for a in half_widths:
        terms = terms * np.sinc(orders * (a / length))
    return angles, terms


def _bell(z: NDArray[np.float64], freedom: float) -> NDArray[np.float64]:
    """Characteristic function of the normal or t-distribution at `z` (Hurst 1995: Bessel's K of order half of `freedom`)."""
    if math.isinf(freedom):
        return np.exp(-z * z / 2)
    from scipy.special import gamma, kve

    order, y = freedom / 2, math.sqrt(freedom) * z
    found: NDArray[np.float64] = kve(order, y) * np.exp(-y) * y**order / (gamma(order) * 2 ** (order - 1))
    return found


def _laid_over(x: float, length: float, scale: float, freedom: float) -> float:
    """What the circle adds to the probability inside +-`x` from beyond its half circumference."""
    if not scale or math.isinf(freedom):
        return 0.0
    from scipy.special import stdtr

    def beyond(distance: Any) -> Any:
        return stdtr(freedom, -distance / scale)

    rounds = 2 * length * np.arange(1, 9)
    near = float(np.sum(beyond(rounds - x) - beyond(rounds + x)))
    return 2 * (near + x / length * float(beyond(17 * length)))
