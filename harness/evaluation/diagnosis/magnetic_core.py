"""Models of the ampere-turns that arrive: a turn closed around the core, a core that saturates under a burden, an input that clips.

These act on each other and on the current, so they are no sums; each gives the part that arrives and what its unknowns change in
it, in standard deviations. Currents are parts of the rated ones.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.core.arrays import Array

EXPONENT = 7.0
"""In saturation the magnetising current grows with this power of the voltage: the permeability of a core falls steeply there."""


@dataclass(frozen=True)
class ArrivingFraction:
    """The part that arrives, and what one standard deviation of each of its unknowns changes in that part."""

    arrives: Array
    columns: tuple[Array, ...]


@dataclass(frozen=True)
class Core:
    """A core: droop at rated current and a sound burden, and the burden as a multiple of a sound one, with standard deviations."""

    droop: Array
    droop_deviation: Array
    burden: Array
    burden_deviation: Array

    @property
    def saturates_early(self) -> NDArray[np.bool_]:
        """Whether a burden makes it saturate at another current than it would."""
        found: NDArray[np.bool_] = (self.burden > 1) & (self.droop > 0)
        return found


def loaded(taken: Array, burden: Array) -> ArrivingFraction:
    """The part of the ampere-turns left by a closed turn that takes `taken` at a sound burden: 1 / (1 + taken * burden).

    By the equivalent circuit; columns for one unit of `taken` and of `burden`, not for a standard deviation.
    """
    arrives = 1 / np.maximum(1 + taken * burden, 0.1)
    return ArrivingFraction(arrives, (-burden * arrives**2, -taken * arrives**2))


def driven(current: Array, core: Core, sharpness: float) -> ArrivingFraction:
    """The part that passes a core that saturates early: x of the current, where x + k x^p = current and k = droop * burden^p.

    Columns for the current where it sets in, and for how sharply it does, `sharpness` being a part of the exponent. Everything
    arrives where `core` does not saturate early.
    """
    early = core.saturates_early
    arrives = np.ones(np.broadcast_shapes(current.shape, early.shape))
    level, knee = np.zeros_like(arrives), np.zeros_like(arrives)
    if early.any():
        droop, wide, burden, broad, now = (
            np.broadcast_to(a, arrives.shape)[early]
            for a in (core.droop, core.droop_deviation, core.burden, core.burden_deviation, current)
        )
        logarithm = np.log(droop) + EXPONENT * np.log(burden)
        x = _solved(now, logarithm)
        excess = np.exp(logarithm + EXPONENT * np.log(x))
        change = excess / (1 + EXPONENT * excess / x) / now
        sets_in = np.exp(-logarithm / (EXPONENT - 1))
        arrives[early] = x / now
        level[early] = -change * np.hypot(wide / droop, EXPONENT * broad / burden)
        knee[early] = -change * np.log(x / sets_in) * sharpness * EXPONENT
    return ArrivingFraction(arrives, (level, knee))


def _solved(current: Array, logarithm: Array) -> Array:
    """x from x + exp(logarithm) x^p = current, by bisection on the logarithm of x."""
    high = np.log(current)
    low = np.minimum(high, (high - logarithm) / EXPONENT) - 1.0
    for _ in range(45):
        middle = (low + high) / 2
        above = np.exp(middle) + np.exp(logarithm + EXPONENT * middle) > current
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    found: Array = np.exp((low + high) / 2)
    return found


def clipped(current: Array, begins: float, ends: float) -> ArrivingFraction:
    """The part that passes an input which follows `current` up to a level somewhere evenly between `begins` and `ends`.

    With u = (level - begins) / (ends - begins) even in 0 to 1 and t = (current - begins) / (ends - begins), the excess
    (t - u)+ has mean t^2/2, its straight line on u the slope 2 t^3 - 3 t^2, and t^3/3 - t^4/4 less what that line has
    is left as variance. Columns for the line and for what is left.
    """
    width = ends - begins
    t = np.clip((current - begins) / width, 0.0, 1.0)
    beyond = np.maximum(0.0, current - ends) / width
    # Products: numpy's own powers above the second take ten times as long.
    square, cube = t * t, t * t * t
    slope = 2 * cube - 3 * square
    left = np.sqrt(np.maximum(0.0, cube / 3 - square**2 / 4 - slope**2 / 12))
    part = width / np.maximum(current, begins)
    return ArrivingFraction(1 - part * (square / 2 + beyond), (-part * slope / math.sqrt(12), part * left))
