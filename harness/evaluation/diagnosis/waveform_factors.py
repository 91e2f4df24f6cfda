"""What a meter, a transformer or a reference makes of a current that is no sine, as a factor on the reading beside that of a sine of the same effective value.

Waveforms are those of `instruments.waveforms`, as a transformer passes them: without their direct part. Each factor depends on one unknown, zero where
nothing acts. It is tabulated once for each waveform and drawn straight in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from harness.core.arrays import Array
from instruments.waveform_names import Waveform
from instruments.waveforms import Instants, effective_value, rectified_mean, spectrum, unit_samples

FORM_FACTOR_OF_SINE = math.pi / (2 * math.sqrt(2))
LARGEST, STEPS = 16.0, 1600
"""Largest unknown tabulated, and the number of its steps, which are narrower for small ones."""


@dataclass(frozen=True)
class Unknown:
    """An unknown of each hypothesis and reading, (h, n) or (h, 1): mean and standard deviation."""

    mean: Array
    deviation: Array

    def times(self, scale: Array) -> Unknown:
        return Unknown(self.mean * scale, self.deviation * scale)


@dataclass(frozen=True)
class Factor:
    """A factor on readings (h, n), and what one standard deviation of its unknown changes of it, as a part of it: straight, and beside that its curvature."""

    factor: Array
    column: Array
    curvature: Array


def passed(waveform: Waveform) -> float:
    """The part of the effective value that passes a transformer: all but the direct part."""
    return effective_value(_alternating(waveform))


def mean_response(waveform: Waveform, *, direct: bool = False) -> float:
    """What the rectified mean, shown as the effective value of a sine, is off by (a fraction); 0 for a sine. `direct`: of all of the current."""
    samples = unit_samples(waveform) if direct else _alternating(waveform)
    return rectified_mean(samples) * FORM_FACTOR_OF_SINE / effective_value(samples) - 1


@cache
def low_pass(waveform: Waveform) -> Array:
    """Factors (STEPS + 1,) of a first-order low pass adjusted with a sine, over the mains frequency as a part of its bandwidth (textbook of filters)."""
    orders, powers = _powers(waveform)
    square = np.square(_grid())[:, None]
    found: Array = np.sqrt((powers / (1 + square * np.square(orders))).sum(axis=1) * (1 + square[:, 0]))
    return found


@cache
def high_pass(waveform: Waveform) -> Array:
    """Factors (STEPS + 1,) of a magnetising inductance beside the loop, over its corner frequency as a part of that of the mains (equivalent circuit)."""
    orders, powers = _powers(waveform)
    square = np.square(_grid())[:, None]
    found: Array = np.sqrt((powers / (1 + square / np.square(orders))).sum(axis=1) * (1 + square[:, 0]))
    return found


@cache
def biased(waveform: Waveform) -> Array:
    """Factors (STEPS + 1,) of a core that a direct part magnetises, over its corner frequency as a part of that of the mains; what of a sine none has."""
    found: Array = high_pass(waveform) / np.sqrt(1 + np.square(_grid()))
    return found


@cache
def clipping(waveform: Waveform) -> Array:
    """Factors (STEPS + 1,) of an input that clips, over the effective value as a part of the level it clips at."""
    samples = _alternating(waveform) / passed(waveform)
    levels = 1 / np.maximum(_grid(), 1e-6)
    return np.array([effective_value(np.clip(samples, -level, level)) for level in levels])


def tabulated(table: Array, unknown: Unknown) -> Factor:
    """The factor of `table` over the unknown, taken as even over its span: a parabola through both ends and the middle.

    With t even in -1 to 1, t and t^2 - 1/3 are uncorrelated, of standard deviation 1 / sqrt(3) and sqrt(4 / 45) (elementary).
    """
    half = math.sqrt(3) * unknown.deviation
    middle, above, below = (
        np.interp(np.maximum(unknown.mean + side * half, 0.0), _grid(), table) for side in (0.0, 1.0, -1.0)
    )
    slope, curve = (above - below) / 2, (above + below) / 2 - middle
    factor = middle + curve / 3
    return Factor(factor, slope / math.sqrt(3) / factor, curve * math.sqrt(4 / 45) / factor)


def straight(slope: Array | float, unknown: Unknown) -> Factor:
    """The factor 1 + slope times the unknown, no less than a hundredth."""
    factor = np.maximum(1 + slope * unknown.mean, 0.01)
    return Factor(factor, slope * unknown.deviation / factor, np.zeros_like(factor))


@cache
def _alternating(waveform: Waveform) -> Instants:
    samples = unit_samples(waveform)
    found: Instants = samples - np.mean(samples)
    return found


@cache
def _powers(waveform: Waveform) -> tuple[Array, Array]:
    """Orders and powers of the parts that carry more than a millionth, all powers together 1."""
    powers = np.square(np.abs(spectrum(_alternating(waveform))))
    powers /= powers.sum()
    kept = np.flatnonzero(powers > 1e-7)
    return kept / waveform.periods, powers[kept] / powers[kept].sum()


@cache
def _grid() -> Array:
    return LARGEST * np.square(np.linspace(0.0, 1.0, STEPS + 1))
