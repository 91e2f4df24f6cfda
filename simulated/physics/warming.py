"""Copper that warms while current is held: the winding's resistance rises, and with it the transformer's error."""

from __future__ import annotations

from collections import deque

from simulated.physics.first_order import FirstOrderStep, in_force

TEMPERATURE_COEFFICIENT = 3.93e-3
"""Relative rise of copper's resistance per kelvin at 20 degC, IEC 60028."""
TIME_CONSTANT = 480.0
"""Seconds: some minutes for a small toroid; common practice, no published source."""
RISE_AT_RATED = 12.0
"""Final temperature rise in kelvin at rated ampere-turns, from the primary through the window and the winding itself; an assumption."""


class Warming:
    """Temperature rise of the copper in kelvin: first order, towards a rise that goes with the ampere-turns squared."""

    def __init__(self, rated_ampere_turns: float) -> None:
        self._rated = rated_ampere_turns
        self.changes: deque[FirstOrderStep] = deque([FirstOrderStep()], maxlen=4096)

    def follow(self, ampere_turns: float, time: float) -> None:
        """Let `ampere_turns` flow from `time` (seconds) on."""
        target = RISE_AT_RATED * (ampere_turns / self._rated) ** 2
        last = self.changes[-1]
        if target != last.target:
            time = max(time, last.time)
            self.changes.append(FirstOrderStep(time, self.rise_at(time), target))

    def rise_at(self, time: float) -> float:
        """Kelvin above the air at `time`."""
        return in_force(self.changes, time).at(time, TIME_CONSTANT)
