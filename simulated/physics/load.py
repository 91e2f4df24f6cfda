"""The programmable current source: its output at any instant, as a function of its settings and their times."""

from __future__ import annotations

import math
import random
from collections import deque

from instruments.waveform_names import SINE, Waveform
from simulated.physics.first_order import FirstOrderStep, in_force

SETTLING_TIME_CONSTANT = 0.04
"""Time constant of a change, in seconds."""
SETTLED_AFTER = 12 * SETTLING_TIME_CONSTANT
"""Seconds after which a change has settled to better than 1 part in 1e5."""
SETPOINT_ERROR = 2e-3
"""Bound of the source's error, relative."""
WANDER = ((23.0, 2e-4), (47.0, 3e-4), (131.0, 3e-4))
"""Period in seconds and relative amplitude of the slow changes of the delivered current."""
SMALLEST_POWER_FACTOR = 0.1
"""Smallest magnitude of the power factor that can be set."""


class Refused(Exception):
    """The instrument refuses a command; carries the SCPI error number."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class CurrentSource:
    """An AC current source with an output relay and a protection limit. Currents in amperes, times in seconds.

    A negative power factor is a leading current; the actual one is off by `power_factor_deviation`. `gain` is its own error,
    `waves` period (s), amplitude and phase (rad) of its wander, `changes` what was changed when.
    """

    def __init__(
        self, maximum_current: float, seed: int, ignores_off: bool = False, power_factor_deviation: float = 0.0
    ) -> None:
        draw = random.Random(f"{seed} load")
        self.gain = 1.0 + draw.uniform(-SETPOINT_ERROR, SETPOINT_ERROR)
        self.waves = [(period, amplitude, draw.uniform(0.0, 2 * math.pi)) for period, amplitude in WANDER]
        self._ignores_off = ignores_off
        self.changes: deque[FirstOrderStep] = deque([FirstOrderStep()], maxlen=4096)
        self.maximum_current = maximum_current
        self.protection = maximum_current
        self.setpoint = 0.0
        self.on = False
        self.power_factor = 1.0
        self._power_factor_deviation = power_factor_deviation
        self._angles: deque[tuple[float, float]] = deque([(-math.inf, self._angle())], maxlen=4096)
        self._waveforms: deque[tuple[float, Waveform]] = deque([(-math.inf, SINE)], maxlen=4096)

    def set_current(self, current: float, time: float) -> None:
        """Program `current`. Raises Refused (-222) when negative or above the protection limit or the maximum."""
        if not 0.0 <= current <= min(self.protection, self.maximum_current):
            raise Refused(-222)
        self.setpoint = current
        self._follow(time)

    def set_protection(self, limit: float) -> None:
        """Refuse setpoints above `limit`. Raises Refused: -222 when out of range, -221 (settings conflict) when the setpoint is above it now."""
        if not 0.0 <= limit <= self.maximum_current:
            raise Refused(-222)
        if limit < self.setpoint:
            raise Refused(-221)
        self.protection = limit

    def set_output(self, on: bool, time: float) -> None:
        if not on and self._ignores_off:
            return
        self.on = on
        self._follow(time)

    def set_power_factor(self, power_factor: float, time: float) -> None:
        """Set the power factor. Raises Refused (-222) unless it is from 0.1 to 1, or from -1 to -0.1 for leading."""
        if not SMALLEST_POWER_FACTOR <= abs(power_factor) <= 1.0:
            raise Refused(-222)
        self.power_factor = power_factor
        self._angles.append((max(time, self._angles[-1][0]), self._angle()))

    def set_waveform(self, waveform: Waveform, time: float) -> None:
        """Draw a current of `waveform` from now on; its effective value is what is set."""
        if waveform != self._waveforms[-1][1]:
            self._waveforms.append((max(time, self._waveforms[-1][0]), waveform))

    def reset(self, time: float) -> None:
        """Output off, no current programmed, protection at the maximum, power factor 1."""
        self.set_output(False, time)
        self.set_power_factor(1.0, time)
        self.protection = self.maximum_current
        self.set_current(0.0, time)

    def current_at(self, time: float) -> float:
        """Delivered current in amperes at `time`."""
        return in_force(self.changes, time).at(time, SETTLING_TIME_CONSTANT) * (1.0 + self.wander(time))

    def angle_at(self, time: float) -> float:
        """Angle in rad by which the current lags the voltage at `time`; negative when it leads."""
        return in_force(self._angles, time)[1]

    def waveform_at(self, time: float) -> Waveform:
        return in_force(self._waveforms, time)[1]

    def target(self) -> float:
        """The settled output, without the wander."""
        return self.changes[-1].target

    def changed_since(self, time: float) -> bool:
        return max(self.changes[-1].time, self._angles[-1][0], self._waveforms[-1][0]) >= time

    def last_change(self) -> float:
        """When the output last changed, in seconds; minus infinity when never."""
        return self.changes[-1].time

    def wander(self, time: float) -> float:
        """Relative slow change of the current at `time`: the same for everything that measures it."""
        return sum(a * math.sin(2 * math.pi * time / period + phase) for period, a, phase in self.waves)

    def _angle(self) -> float:
        kept = min(1.0, abs(self.power_factor) + self._power_factor_deviation)
        return math.copysign(math.acos(kept), self.power_factor)

    def _follow(self, time: float) -> None:
        target = self.setpoint * self.gain if self.on else 0.0
        last = self.changes[-1]
        still_settling = not self.on and last.begins_at != 0.0
        if target != last.target or still_settling:
            # Time may have gone back slightly (reads that overlap); the record of changes must stay in order.
            time = max(time, last.time)
            # The output's relay opens within a cycle: nothing is left to settle when it is off.
            begins_at = last.at(time, SETTLING_TIME_CONSTANT) if self.on else 0.0
            self.changes.append(FirstOrderStep(time, begins_at, target))
