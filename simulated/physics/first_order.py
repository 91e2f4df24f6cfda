"""A quantity of first order: it follows a step towards its target with one time constant."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class FirstOrderStep:
    """A step at `time` (seconds; minus infinity: settled ever since) from `begins_at` towards `target`."""

    time: float = -math.inf
    begins_at: float = 0.0
    target: float = 0.0

    def at(self, time: float, time_constant: float) -> float:
        """The quantity at `time`, in the unit of `target`; both times in seconds."""
        if math.isinf(self.time):
            return self.target
        left = math.exp(-max(0.0, time - self.time) / time_constant)
        return self.target + (self.begins_at - self.target) * left
