"""The transformer with a current of any waveform: the flux in the core over the time after which the current repeats.

The equivalent circuit is that of `transformer`. With y the flux linkage times the angular frequency (volts), over the angle of the mains:

    dy/dangle = R i2,   i2 = i - y b(y) - G dy/dangle

with i the primary current over the turns, R the resistance of the secondary circuit, G core loss and closed turn, and b the
susceptance of core and gap. The amplitude permeability and the loss are those at half the swing of the flux, and saturation acts at
every instant: 1 + (64/35) (B / Bs)^6, of whose current with a sine the fundamental is that of 1 + (B / Bs)^6 (the fundamental of
sin^7 is 35/64, elementary). A small sine thus gives what `transformer` gives.

The implicit midpoint rule steps through a period; its step is stretched to 2 tan(step / 2), which makes it exact for the fundamental (bilinear
transformation with prewarping, textbook of digital filters). The flux it starts with is the one it comes back to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from instruments.waveforms import SAMPLES_PER_PERIOD, Instants, effective_value, vertex
from simulated.physics.transformer import TransformerModel

SEVENTH_POWER = 64.0 / 35.0
"""The reciprocal of the fundamental of the seventh power of a sine."""
STEP = 2 * math.tan(math.pi / SAMPLES_PER_PERIOD)
SAME = 1e-13
MOST_SWINGS, MOST_STARTS, MOST_ROOTS = 60, 60, 60


@dataclass(frozen=True)
class _Core:
    """What the flux is governed by: `gain` (ohms) of the current not yet taken, `core` and `beside` susceptances (S), `saturation` in 1/V^6."""

    gain: float
    core: float
    beside: float
    saturation: float


def secondary_in_time(transformer: TransformerModel, ideal: Instants, further_resistance: float = 0.0) -> Instants:
    """Secondary current (n,) in amperes, for `ideal` (n,), the primary current over the ratio of the turns, through whole periods of the mains.

    Samples stand at the middles of `SAMPLES_PER_PERIOD` parts of each. Raises ValueError for a leakage reactance, which is not described here.
    """
    impedance = transformer.secondary_impedance
    if impedance.imag:
        raise ValueError("a leakage reactance is not described in time")
    resistance = impedance.real + further_resistance
    if not np.any(ideal):
        return np.zeros_like(ideal)
    currents = ideal.tolist()
    log_swing = math.log(_expected_swing(transformer, ideal, further_resistance))
    start, before = 0.0, (0.0, 0.0)
    for count in range(MOST_SWINGS):
        core = _core(transformer, math.exp(log_swing), resistance)
        start = _start(core, currents, start)
        middles, ends, _ = _period(core, currents, start)
        wrong = math.log(_half_swing(np.array(middles))) - log_swing
        if abs(wrong) < SAME:
            break
        slope = (wrong - before[1]) / (log_swing - before[0]) if count else -1.0
        before = log_swing, wrong
        # The flux grows with the permeability less than in proportion, so that the slope is surely negative.
        log_swing -= wrong / min(slope, -0.2)
    return np.diff(np.array([start, *ends])) / (STEP * resistance)


def _expected_swing(transformer: TransformerModel, ideal: Instants, further_resistance: float) -> float:
    """The swing in volts if the flux followed the integral of the current, at the secondary current of a sine of that effective value."""
    effective = effective_value(ideal)
    secondary = abs(transformer.secondary_current(effective * transformer.secondary_turns, further_resistance))
    integral = np.cumsum(ideal - np.mean(ideal)) * STEP
    return (
        secondary
        / effective
        * (transformer.secondary_impedance.real + further_resistance)
        * float(np.ptp(integral))
        / 2
    )


def _half_swing(flux: Instants) -> float:
    return (vertex(flux, int(np.argmax(flux))) - vertex(flux, int(np.argmin(flux)))) / 2


def _core(transformer: TransformerModel, swing: float, resistance: float) -> _Core:
    """The core for a flux that swings by `swing` (peak, in volts) to both sides."""
    force = swing / math.sqrt(2)
    admittance, beside = transformer.magnetising_admittance(force), transformer.beside_the_core
    relative = transformer.flux_density(1.0 / math.sqrt(2)) / transformer.core.saturation_flux_density
    saturated = 1.0 + (relative * swing) ** 6
    return _Core(
        gain=resistance / (1.0 + resistance * admittance.real),
        core=-(admittance - beside).imag / saturated,
        beside=-beside.imag,
        saturation=SEVENTH_POWER * relative**6,
    )


def _start(core: _Core, currents: list[float], start: float) -> float:
    """The flux with which a period begins and ends: Newton's steps, kept between bounds that close in."""
    low, high = -math.inf, math.inf
    for _ in range(MOST_STARTS):
        _, ends, slope = _period(core, currents, start)
        wrong = ends[-1] - start
        low, high = (start, high) if wrong > 0 else (low, start)
        following = start - wrong / (slope - 1.0) if slope != 1.0 else math.inf
        if not low < following < high:
            following = (low + high) / 2
        if not math.isfinite(following) or abs(following - start) <= SAME * max(abs(min(ends)), abs(max(ends))):
            break
        start = following
    return start


def _period(core: _Core, currents: list[float], start: float) -> tuple[list[float], list[float], float]:
    """Flux at the middles and at the ends of all steps, in volts, and by what a change at the start is multiplied on the way."""
    half = core.gain * STEP / 2
    linear, seventh = core.core + core.beside, core.core * core.saturation
    flux, slope = start, 1.0
    middles, ends = [], []
    for current in currents:
        known = flux + half * current
        middle = flux
        for _ in range(MOST_ROOTS):
            power = seventh * middle**6
            wrong = middle + half * middle * (linear + power) - known
            step = wrong / (1.0 + half * (linear + 7 * power))
            middle -= step
            if abs(step) <= 1e-15 * abs(middle) + 1e-300:
                break
        taken = half * (linear + 7 * seventh * middle**6)
        slope *= (1.0 - taken) / (1.0 + taken)
        flux = 2 * middle - flux
        middles.append(middle)
        ends.append(flux)
    return middles, ends, slope
