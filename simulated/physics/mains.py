"""The mains at the load: a voltage that wanders slowly, alike for everything that measures it."""

import math
import random

NOMINAL_VOLTAGE = 230.0
"""Volts, IEC 60038."""
WANDER = ((61.0, 4e-4), (173.0, 6e-4), (907.0, 6e-4))
"""Period in seconds and relative amplitude of the slow changes that a stabilised supply leaves."""


class Mains:
    """The voltage at the load as a function of time. Volts (rms) and seconds."""

    def __init__(self, seed: int) -> None:
        draw = random.Random(f"{seed} mains")
        self._waves = [(period, amplitude, draw.uniform(0.0, 2 * math.pi)) for period, amplitude in WANDER]

    def voltage_at(self, time: float) -> float:
        wander = sum(a * math.sin(2 * math.pi * time / period + phase) for period, a, phase in self._waves)
        return NOMINAL_VOLTAGE * (1.0 + wander)
