"""The distribution of a sum of rectangles, a normal and t-distributions: how wide an interval must be, and what lies beyond a limit.

The sum is symmetric, so P(|S| <= x) follows from its characteristic function phi (JCGM 101:2008, 5.10 leaves the way open).
On a circle of circumference 2 L the sum has the Fourier series

    P(|S| <= x) = x / L + 2 / pi  sum over n of  phi(n pi / L) sin(n pi x / L) / n

and what t-distributions have beyond L, which the circle lays over the inside, is taken off again. Numerical and not drawn at
random: the same budget has the same factor to the last digit, the 42 points of a run take some 25 ms, and there is no noise
to explain when two neighbouring points differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from harness.core.zero_crossing import zero_crossing
from harness.evaluation.uncertainty.distributions import NORMAL, TDistribution, t_beyond

MOST_TERMS = 8192
"""Enough for a rectangle with nothing beside it, where the terms fall slowest: the rest is below 1e-8."""

MOST_FREEDOM = 100.0
"""A t-distribution of more degrees of freedom is taken as the normal one of the same half-width: k changes by 0.1 % at most."""

NEGLIGIBLE = 1e-5
"""A t-distribution this much narrower than all else together changes no digit anyone prints."""

UNSEEN = 1e-16
"""Value of a characteristic function below which further terms change no probability."""

_COUNTS = np.array([*accumulate(range(28), lambda terms, _: terms * 5 // 4, initial=16), MOST_TERMS], dtype=np.float64)
"""Numbers of terms that are tried."""

SMALL_CHANGE = 1e-8
"""Part of a half-width: where it changes by no more, the proportion of what is laid over does not."""

LAST_STEP = 1e-8
"""Part of a half-width: after a step of Newton's no longer than this the next would be one of rounding."""

FAR_OUT = 1e-4
"""Where less is left outside, the series is too near to 1 for its slope to lead anywhere."""

MOST_STEPS = 50

HALVINGS = 33
"""Few enough that the last bits of a sine, which differ between processors, do not reach the result."""


@dataclass(frozen=True)
class Bell:
    """A t-distribution stretched by `scale`; `degrees_of_freedom` may be infinite."""

    scale: float
    degrees_of_freedom: float


@dataclass(frozen=True)
class Sum:
    """The sum of rectangles, a normal and t-distributions, all in one unit; make it by `summed`.

    `half_widths` of the rectangles (at least one), standard `deviation` of the normal part, the `bells`. `length`: half the
    circumference of the circle; `highest`: an upper bound of the half-width it was laid out for.
    """

    half_widths: tuple[float, ...]
    deviation: float
    bells: tuple[Bell, ...]
    length: float
    highest: float

    def half_width(self, probability: float) -> float:
        low, high = 0.0, self.highest
        far = 1 - probability < FAR_OUT
        found = (
            zero_crossing(lambda x: self.inside(x) - probability, low, high) if far else self._by_newton(probability)
        )
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            low, high = (middle, high) if middle < found else (low, middle)
        return (low + high) / 2

    def cumulative(self, x: float) -> float:
        half = self.inside(abs(x)) / 2
        return 0.5 + half if x >= 0 else 0.5 - half

    def inside(self, x: float) -> float:
        """Probability that the sum lies within +-`x`, not negative; beyond the circle one t-distribution is large and nothing else is."""
        if x >= self.length:
            return 1 - 2 * math.fsum(float(t_beyond(x / b.scale, b.degrees_of_freedom)) for b in self.bells)
        angles, terms = self._terms
        found = x / self.length + 2 / math.pi * float(np.sum(terms * np.sin(angles * x))) - self._laid_over(x)
        if math.isnan(found):
            raise ArithmeticError(f"no distribution of {self.half_widths}, {self.deviation} and {self.bells}")
        return min(1.0, max(0.0, found))

    def _by_newton(self, probability: float) -> float:
        """The half-width along the series. What the circle lays over is small, costs the most and is in proportion to x but for (x / L)^2."""
        variance = math.fsum(a**2 / 3 for a in self.half_widths) + self.deviation**2
        # That of a rectangle, which no sum's density ends before.
        start = probability * math.sqrt(3 * (variance + math.fsum(b.scale**2 for b in self.bells)))
        found, before = self._where_series_is(probability, 0.0, start), 0.0
        while self.bells and abs(found - before) > SMALL_CHANGE * found:
            found, before = self._where_series_is(probability, self._laid_over(found) / found, found), found
        return found

    def _where_series_is(self, probability: float, laid_over: float, start: float) -> float:
        """Where the series without `laid_over` times x is `probability`, from `start`: it rises ever more slowly, so no step from below goes beyond."""
        (angles, terms), x = self._terms, start
        slopes, constant = terms * angles, 1 / self.length - laid_over
        for _ in range(MOST_STEPS):
            found = x * constant + 2 / math.pi * float(terms @ np.sin(angles * x))
            step = (probability - found) / (constant + 2 / math.pi * float(slopes @ np.cos(angles * x)))
            x = min(max(0.0, x + step), self.length)
            if abs(step) <= LAST_STEP * x:
                return x
        raise ArithmeticError(f"no half-width of {self.half_widths}, {self.deviation} and {self.bells}")

    def _laid_over(self, x: float) -> float:
        return math.fsum(_laid_over(x, self.length, b) for b in self.bells)

    @cached_property
    def _terms(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return _series(self.half_widths, self.deviation, self.bells, self.length)


def summed(half_widths: Sequence[float], deviation: float, bells: Sequence[Bell], probability: float) -> Sum:
    """The sum's distribution. Parts are taken as normal or as nothing where it changes no digit of the interval of `probability`."""
    reach = math.fsum(half_widths)
    deviation, bells = _as_normal(deviation, bells, probability)
    largest = max((b.scale for b in bells), default=0.0)
    bells = [b for b in bells if b.scale >= NEGLIGIBLE * (reach + deviation + largest)]
    # Of every bell as much lies outside its share of this as may lie outside of all.
    each = 1 - (1 - probability) / (1 + len(bells))
    share = math.fsum(TDistribution(b.degrees_of_freedom).half_width(each) * b.scale for b in bells)
    highest = reach + NORMAL.half_width(each) * deviation + share
    scale = math.hypot(*(b.scale for b in bells))
    length = 2 * (reach + 5 * deviation) + max(12.0 * scale, 4 * share) if bells else 1.01 * reach + 9 * deviation
    return Sum(tuple(half_widths), deviation, tuple(bells), length, highest)


def _as_normal(deviation: float, bells: Sequence[Bell], probability: float) -> tuple[float, list[Bell]]:
    """The normal part with every bell in it that is as good as normal, and the other bells."""
    left = []
    for bell in bells:
        if bell.degrees_of_freedom > MOST_FREEDOM:
            wider = TDistribution(bell.degrees_of_freedom).half_width(probability) / NORMAL.half_width(probability)
            deviation = math.hypot(deviation, bell.scale * wider)
        elif bell.scale:
            left.append(bell)
    return deviation, left


def _series(
    half_widths: Sequence[float], deviation: float, bells: Sequence[Bell], length: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The angles n pi / L and the terms phi(n pi / L) / n, as many as matter."""
    orders = np.arange(1, _needed(deviation, bells, length) + 1, dtype=np.float64)
    angles = orders * (math.pi / length)
    terms = np.exp(-((angles * deviation) ** 2) / 2) / orders
    for bell in bells:
        terms = terms * _t_characteristic(angles * bell.scale, bell.degrees_of_freedom)
    return angles, terms * np.sinc(np.multiply.outer(np.array(half_widths) / length, orders)).prod(axis=0)


def _needed(deviation: float, bells: Sequence[Bell], length: float) -> int:
    """The number of terms until the normal and the t-distributions leave nothing visible."""
    angles = _COUNTS * (math.pi / length)
    sizes = np.exp(-((angles * deviation) ** 2) / 2)
    for bell in bells:
        sizes *= _t_characteristic(angles * bell.scale, bell.degrees_of_freedom)
    return int(_COUNTS[np.argmax(np.append(sizes[:-1] < UNSEEN, True))])


def _t_characteristic(z: NDArray[np.float64], freedom: float) -> NDArray[np.float64]:
    """Characteristic function of the t-distribution at `z` (n,)."""
    weights, halves = _normals_of_t(freedom)
    # What the smallest `z` makes nothing of needs no look at the others.
    left = z.min() ** 2 * halves < 40
    found: NDArray[np.float64] = np.exp(np.multiply.outer(z**2, -halves[left])) @ weights[left]
    return found


@lru_cache
def _normals_of_t(freedom: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weights of the normal distributions that a t is a mixture of, and half the variance of each.

    A t is a normal whose variance is nu / w, w chi-squared: the mean of exp(-z^2 nu / (2 w)), summed over u = ln(w / nu).
    """
    u = np.arange(-1 - 80 / freedom, math.log(3 + 80 / freedom), min(0.25, 0.5 * math.sqrt(2 / freedom)))
    weights = np.exp(freedom / 2 * (1 + u - np.exp(u)))
    return weights / np.sum(weights), np.exp(-u) / 2


def _laid_over(x: float, length: float, bell: Bell) -> float:
    """Probability inside +-`x` that the circle adds from beyond its half circumference.

    Out there one of several bells is large and the others are not, so their contributions add up.
    """
    rounds = 2 * length * np.arange(1, 9)
    far = t_beyond(np.concatenate([rounds - x, rounds + x, [17 * length]]) / bell.scale, bell.degrees_of_freedom)
    return 2 * float(np.sum(far[:8]) - np.sum(far[8:16]) + x / length * far[16])
