"""A multimeter: errors that stay inside its claim, scales, overload, integration time."""

from __future__ import annotations

import random

from simulated.description import ScaleDescription
from simulated.physics.load import Refused

INTEGRATION_TIME = 0.1
"""Seconds one reading takes."""
OVERLOAD = 9.9e37
"""Reply of an instrument for infinity, after SCPI-1999."""
OVERRANGE = 1.2
"""Multiple of full scale up to which readings are shown."""


class Multimeter:
    """A multimeter on a chosen scale. Values in the instrument's own unit.

    Its systematic errors are drawn inside `share` of the claim, by `seed` and `name`. With `autoranging` it goes to the
    smallest scale that holds its reading, since nobody sets one. `errors`: gain and offset of every scale; `noise`: where that of its readings is drawn.
    """

    def __init__(
        self,
        scales: tuple[ScaleDescription, ...],
        seed: int,
        name: str = "reference",
        share: float = 0.6,
        autoranging: bool = False,
    ) -> None:
        if not scales:
            raise ValueError("a simulated multimeter needs at least one scale")
        self._scales, self.autoranging = scales, autoranging
        self.noise = random.Random(f"{seed} {name} noise")
        self.errors = {scale: _drawn(scale, f"{seed} {name}", share) for scale in scales}
        self.scale = scales[-1]

    @property
    def nothing(self) -> float:
        """Largest reading that may be the instrument's own offset and noise alone."""
        return self.scale.of_range * self.scale.full_scale + 10 * self.scale.resolution

    def configure(self, expected: float) -> None:
        """Choose the smallest scale that holds `expected`. Raises Refused (-222) when none does."""
        scale = next((s for s in self._scales if s.full_scale >= expected), None)
        if scale is None or expected < 0.0:
            raise Refused(-222)
        self.scale = scale

    def reset(self) -> None:
        self.scale = self._scales[-1]

    def on_average(self, value: float) -> float:
        """Mean of many readings of the true `value` on this scale, systematic errors included."""
        gain, offset = self.errors[self.scale]
        return value * (1.0 + gain) + offset

    def reading(self, value: float) -> float:
        """One reading of the true `value`, or 9.9E37 in overload."""
        if self.autoranging:
            self.scale = next((s for s in self._scales if s.full_scale >= abs(value)), self._scales[-1])
        scale = self.scale
        if abs(value) > OVERRANGE * scale.full_scale:
            return OVERLOAD
        noise = self.noise.gauss(0.0, 2e-5 * abs(value) + 0.5 * scale.resolution)
        read = self.on_average(value) + noise
        return abs(round(read / scale.resolution) * scale.resolution)


def _drawn(scale: ScaleDescription, seed: str, share: float) -> tuple[float, float]:
    """Relative error of the gain, and the offset."""
    draw = random.Random(f"{seed} scale {scale.full_scale}")
    gain = draw.uniform(-share, share) * scale.of_reading
    return gain, draw.uniform(-share, share) * scale.of_range * scale.full_scale
