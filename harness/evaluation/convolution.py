"""The distribution of a sum of rectangles and a normal: how wide an interval must be to hold a given probability.

The sum is symmetric, so P(|S| <= x) follows from its characteristic function phi (JCGM 101:2008, 5.10 leaves the way open).
On a circle of circumference 2 L, wide enough for all of it, the sum has the Fourier series

    P(|S| <= x) = x / L + 2 / pi  sum over n of  phi(n pi / L) sin(n pi x / L) / n

Numerical and not drawn at random: the same budget has the same factor to the last digit, and there is no noise to explain
when two neighbouring points differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

MOST_TERMS = 8192
"""Enough for a rectangle with nothing beside it, where the terms fall slowest: the rest is below 1e-8."""

HALVINGS = 33
"""Few enough that the last bits of a sine, which differ between processors, do not reach the result."""


def half_width(half_widths: Sequence[float], deviation: float, probability: float) -> float:
    """Half-width of the interval holding `probability` of the sum of rectangles and a normal of standard `deviation`.

    `half_widths` of the rectangles (at least one); all in one unit, in which the result is too.
    """
    reach = math.fsum(half_widths)
    low, high = 0.0, reach + 9 * deviation
    length = 1.01 * reach + 9 * deviation
    # Where exp(-38), which nobody would see, is reached by the normal alone.
    needed = math.ceil(8.7 / deviation * length / math.pi) if deviation else MOST_TERMS
    orders = np.arange(1, min(MOST_TERMS, needed) + 1, dtype=np.float64)
    angles = orders * (math.pi / length)
    terms = np.exp(-((angles * deviation) ** 2) / 2) / orders
    for a in half_widths:
        terms = terms * np.sinc(orders * (a / length))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        inside = middle / length + 2 / math.pi * float(np.sum(terms * np.sin(angles * middle)))
        if inside < probability:
            low = middle
        else:
            high = middle
    return (low + high) / 2
