"""Waveforms over the time after which they repeat, as samples of effective value 1, and the figures that describe a current.

Samples stand at the middles of equal parts of a period, so that a step at a whole degree falls between two of them. Formulas are
elementary (definitions of IEC 60050-103); where a shape stands for a circuit, the circuit's textbook idealisation is named.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from instruments.waveform_names import Waveform

SAMPLES_PER_PERIOD = 720

DROPPER_CLAMPED_AT = 0.25
"""Capacitor dropper: voltage at its rectifier, as a part of the crest of the mains."""
SUPPLY_TIME_CONSTANT = 20.0
"""Switched supply: 2 pi times the mains frequency times load resistance times capacitance."""

Instants = NDArray[np.float64]


@cache
def unit_samples(waveform: Waveform) -> Instants:
    """The current (n,) over all its periods, of effective value 1; not to be changed."""
    periods = waveform.periods
    angle = (np.arange(SAMPLES_PER_PERIOD * periods) + 0.5) * (2 * math.pi / SAMPLES_PER_PERIOD)
    half = np.mod(angle, math.pi)
    sign = np.where(np.mod(angle, 2 * math.pi) < math.pi, 1.0, -1.0)
    if waveform.name == "half_wave":
        shape = np.maximum(np.sin(angle), 0.0)
    elif waveform.name == "burst":
        shape = np.where(angle < 2 * math.pi * waveform.periods_on, np.sin(angle), 0.0)
    else:
        shape = sign * _half_period(waveform, half)
    found: Instants = shape / effective_value(shape)
    found.flags.writeable = False
    return found


def _half_period(waveform: Waveform, at: Instants) -> Instants:
    """The shape over half a period, at angles from 0 to pi."""
    width = math.radians(waveform.angle)
    from_crest = np.abs(at - math.pi / 2)
    if waveform.name == "phase_cut":
        return np.where(at > width, np.sin(at), 0.0)
    if waveform.name == "rectifier":
        return np.where(from_crest < width / 2, np.cos(math.pi * from_crest / width), 0.0)
    if waveform.name == "rectangular":
        return np.where(from_crest < width / 2, 1.0, 0.0)
    if waveform.name == "triangle":
        return 1.0 - from_crest / (math.pi / 2)
    if waveform.name == "capacitor_dropper":
        return np.where(at > _dropper_begins(), np.sin(at), 0.0)
    if waveform.name == "switched_supply":
        begins, ends = _bridge_conducts()
        through = SUPPLY_TIME_CONSTANT * np.cos(at) + np.sin(at)
        return np.where((at > begins) & (at < ends), through, 0.0)
    return np.sin(at)


def _dropper_begins() -> float:
    """Angle after the crest of the mains at which current flows again: the mains must first turn the clamped voltage round.

    The series capacitor keeps the crest less the clamped voltage; then its current is that of the sine's slope.
    """
    return math.acos(1 - 2 * DROPPER_CLAMPED_AT)


@cache
def _bridge_conducts() -> tuple[float, float]:
    """Angles between which an ideal bridge with capacitor and resistor conducts: it stops where capacitor and load together take nothing,
    and begins where the mains meets the voltage that has fallen exponentially since."""
    ends = math.pi - math.atan(SUPPLY_TIME_CONSTANT)
    low, high = 0.0, math.pi / 2
    for _ in range(60):
        middle = (low + high) / 2
        left = math.sin(ends) * math.exp(-(middle + math.pi - ends) / SUPPLY_TIME_CONSTANT)
        low, high = (middle, high) if math.sin(middle) < left else (low, middle)
    return low, ends


def effective_value(samples: Instants) -> float:
    """Root of the mean of the squares."""
    return math.sqrt(float(np.mean(np.square(samples))))


def rectified_mean(samples: Instants) -> float:
    return float(np.mean(np.abs(samples)))


def crest_factor_of(samples: Instants) -> float:
    """Peak without sign over effective value, of the curve through the samples."""
    size = np.abs(samples)
    return vertex(size, int(np.argmax(size))) / effective_value(samples)


def spectrum(samples: Instants) -> NDArray[np.complex128]:
    """Peak amplitudes of the parts of whole numbers of periods of the repetition, the first one the direct part."""
    found: NDArray[np.complex128] = np.fft.rfft(samples) / (len(samples) / 2)
    found[0] /= 2
    return found


def fundamental_of(samples: Instants, periods: int) -> complex:
    """The part of the mains frequency in samples over so many `periods`, as a phasor of its effective value."""
    return complex(spectrum(samples)[periods]) / math.sqrt(2)


@cache
def fundamental_part(waveform: Waveform) -> float:
    """The effective value of the fundamental over that of the whole current."""
    return abs(fundamental_of(unit_samples(waveform), waveform.periods))


def vertex(samples: Instants, at: int) -> float:
    """Height of the parabola through the sample `at` an extremum and its two neighbours; the sample itself where they are no curve's.

    A step or a corner has no vertex beyond its samples: there the parabola would leave the curve.
    """
    before, middle, after = (float(samples[(at + d) % len(samples)]) for d in (-1, 0, 1))
    curved = before - 2 * middle + after
    if curved == 0.0 or abs(curved) > 1e-2 * abs(middle):
        return middle
    return middle - (after - before) ** 2 / (8 * curved)
