"""The metering module behind the secondary: its display, and the fuse in front of it."""

import cmath
import math
import random
from dataclasses import dataclass
from itertools import pairwise

CLIPS_AT = 1.2
"""Multiple of the largest secondary current at which the input stage clips."""


VOLTAGE_RESOLUTION = 0.1
"""Resolution of the voltage display, in volts."""


@dataclass(frozen=True)
class Shown:
    """Values on a display: amperes, volts and watts of the base scale, and the power factor."""

    current: float
    voltage: float
    power: float
    power_factor: float


@dataclass(frozen=True)
class Module:
    """A metering module with a display. Displayed values in amperes and watts of the base scale.

    `scale` is displayed amperes per ampere of secondary current; `gain` and `offset` (amperes displayed) are the
    module's own errors, `bend` the gain's change per ampere of secondary current; `clips_at` in amperes of it. `voltage_gain` and `phase_error` (rad, as a
    phase displacement: it adds to that of the transformer) are those of its voltage channel; `power_gain` is of power alone.
    """

    scale: float
    gain: float
    offset: float
    resolution: float
    smallest: float
    refresh_interval: float
    clips_at: float
    seed: int
    bend: float = 0.0
    voltage_gain: float = 1.0
    power_gain: float = 1.0
    phase_error: float = 0.0
    power_resolution: float = 0.1
    power_factor_resolution: float = 0.001
    default_power_factor: float = 1.0

    def measured(self, secondary_current: float) -> float:
        """The value in displayed amperes before noise, threshold and rounding."""
        followed = min(abs(secondary_current), self.clips_at)
        return followed * self.scale * self.gain * (1.0 + self.bend * followed) + self.offset

    def power(self, secondary_current: complex, voltage: float, angle: float) -> float:
        """Active power in watts before noise, threshold and rounding: U I cos(phi - delta).

        `secondary_current` is a phasor against the primary current, which lags `voltage` by `angle`.
        """
        # A reversed primary turns the phasor by half a turn, and with it the sign of the power.
        displacement = cmath.phase(secondary_current) + self.phase_error
        return (
            self.power_gain
            * voltage
            * self.voltage_gain
            * self.measured(abs(secondary_current))
            * math.cos(angle - displacement)
        )

    def shown(self, measured: float, slot: int, range_factor: float = 1.0) -> float:
        """The displayed value for `measured` in refresh slot `slot`; the noise belongs to the slot."""
        noisy = self._noisy(measured, slot)
        return 0.0 if noisy < self.smallest else rounded(noisy * range_factor, self.resolution)

    def everything_shown(
        self, measured: float, power: float, voltage: float, slot: int, range_factor: float = 1.0
    ) -> Shown:
        """All displayed values in refresh slot `slot`. Below its smallest current the module sees no load at all."""
        volts = rounded(voltage * self.voltage_gain, VOLTAGE_RESOLUTION)
        noisy = self._noisy(measured, slot)
        if noisy < self.smallest:
            return Shown(0.0, volts, 0.0, self.default_power_factor)
        draw = random.Random(f"{self.seed} display power {slot}")
        watts = power * noisy / measured * (1.0 + draw.gauss(0.0, 1e-4)) + draw.gauss(0.0, 0.2) * self.power_resolution
        factor = max(-1.0, min(1.0, watts / (voltage * self.voltage_gain * noisy)))
        return Shown(
            rounded(noisy * range_factor, self.resolution),
            volts,
            rounded(watts * range_factor, self.power_resolution),
            rounded(factor, self.power_factor_resolution),
        )

    def _noisy(self, measured: float, slot: int) -> float:
        draw = random.Random(f"{self.seed} display {slot}")
        return measured * (1.0 + draw.gauss(0.0, 1e-4)) + draw.gauss(0.0, 0.2) * self.resolution


def rounded(value: float, resolution: float) -> float:
    return float(f"{round(value / resolution) * resolution:.12g}")


@dataclass(frozen=True)
class Fuse:
    """A quick-acting miniature fuse-link of `rating` amperes, cold resistance in ohms."""

    rating: float
    resistance: float

    def melting_time(self, current: float) -> float:
        """Pre-arcing time in seconds at a constant `current` in amperes; infinite up to 1.5 times the rating.

        A curve through the middle of the gates of IEC 60127-2 for quick-acting (F) fuse-links: more than an hour
        at 1.5 times the rating, at most 30 min at 2.1 times, 50 ms to 0.5 s at 2.75 times, 10 ms to 0.1 s at 4 times
        and at most 20 ms at 10 times. Above that the melting energy I2t is constant.
        """
        multiple = current / self.rating
        if multiple <= 1.5:
            return math.inf
        for (m0, t0), (m1, t1) in pairwise(_CURVE):
            if multiple <= m1:
                part = math.log(multiple / m0) / math.log(m1 / m0)
                return t0 * math.pow(t1 / t0, part)
        last_multiple, last_time = _CURVE[-1]
        return last_time * (last_multiple / multiple) ** 2


_CURVE = ((1.5, 7200.0), (2.1, 300.0), (2.75, 0.3), (4.0, 0.05), (10.0, 0.005))
