"""The reference multimeter: errors that stay inside its claim, scales, overload, integration time."""

from __future__ import annotations

import random
from dataclasses import dataclass

from simulated.description import ScaleDescription
from simulated.load import Refused

INTEGRATION_TIME = 0.1
"""Seconds one reading takes."""
OVERLOAD = 9.9e37
"""What SCPI-1999 has an instrument answer for infinity."""
OVERRANGE = 1.2
"""Readings up to this multiple of full scale are shown."""
SHARE_OF_CLAIM = 0.6
"""The systematic errors are drawn inside this part of the claim."""


@dataclass(frozen=True)
class _Errors:
    gain: float
    offset: float


class Multimeter:
    """A multimeter on a chosen scale. Values in the instrument's own unit."""

    def __init__(self, scales: tuple[ScaleDescription, ...], seed: int) -> None:
        if not scales:
            raise ValueError("a simulated reference needs at least one scale")
        self._scales = scales
        self._seed = seed
        self._draw = random.Random(f"{seed} reference noise")
        self._errors = {scale: _drawn(scale, seed) for scale in scales}
        self.scale = scales[-1]

    def configure(self, expected: float) -> None:
        """Choose the smallest scale that holds `expected`. Raises Refused (-222) when none does."""
        scale = next((s for s in self._scales if s.full_scale >= expected), None)
        if scale is None or expected < 0.0:
            raise Refused(-222)
        self.scale = scale

    def reset(self) -> None:
        """Go to the largest scale."""
        self.scale = self._scales[-1]

    def reading(self, value: float) -> float:
        """One reading of the true `value`, or 9.9E37 in overload."""
        scale, errors = self.scale, self._errors[self.scale]
        if abs(value) > OVERRANGE * scale.full_scale:
            return OVERLOAD
        noise = self._draw.gauss(0.0, 2e-5 * abs(value) + 0.5 * scale.resolution)
        read = value * (1.0 + errors.gain) + errors.offset + noise
        return abs(round(read / scale.resolution) * scale.resolution)


def _drawn(scale: ScaleDescription, seed: int) -> _Errors:
    draw = random.Random(f"{seed} reference scale {scale.full_scale}")
    gain = draw.uniform(-SHARE_OF_CLAIM, SHARE_OF_CLAIM) * scale.of_reading
    return _Errors(gain, draw.uniform(-SHARE_OF_CLAIM, SHARE_OF_CLAIM) * scale.of_range * scale.full_scale)
