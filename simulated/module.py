"""The metering module behind the secondary: what its display shows, and the fuse in front of it."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from itertools import pairwise

CLIPS_AT = 1.2
"""The input stage clips at this multiple of the largest secondary current."""


@dataclass(frozen=True)
class Module:
    """A metering module with a display. Displayed values in amperes of the base scale.

    `scale` is displayed amperes per ampere of secondary current; `gain` and `offset` (amperes displayed) are the
    module's own errors; `clips_at` in amperes of secondary current.
    """

    scale: float
    gain: float
    offset: float
    resolution: float
    smallest: float
    refresh_interval: float
    clips_at: float
    seed: int

    def measured(self, secondary_current: float) -> float:
        """The value in displayed amperes before noise, threshold and rounding."""
        return min(abs(secondary_current), self.clips_at) * self.scale * self.gain + self.offset

    def shown(self, measured: float, slot: int, range_factor: float = 1.0) -> float:
        """What the display shows for `measured` in refresh slot `slot`; the noise belongs to the slot."""
        draw = random.Random(f"{self.seed} display {slot}")
        noisy = measured * (1.0 + draw.gauss(0.0, 1e-4)) + draw.gauss(0.0, 0.2) * self.resolution
        if noisy < self.smallest:
            return 0.0
        return self.rounded(noisy * range_factor)

    def rounded(self, value: float) -> float:
        """`value` to the display's resolution."""
        return float(f"{round(value / self.resolution) * self.resolution:.12g}")


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
