"""What was changed when, and quantities of first order: they follow a step towards its target with one time constant."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple, TypeVar

if TYPE_CHECKING:
    from instruments.waveform_names import Waveform

_Change = TypeVar("_Change", bound="FirstOrderStep | tuple[float, float] | tuple[float, str] | tuple[float, Waveform]")


def in_force(changes: Sequence[_Change], time: float) -> _Change:
    """The last of `changes` made by `time`, also for readings that look back; each begins with its time, and the first holds before."""
    for change in reversed(changes):
        if change[0] <= time:
            return change
    return changes[0]


class FirstOrderStep(NamedTuple):
    """A step at `time` (seconds; minus infinity: settled ever since) from `begins_at` towards `target`."""

    time: float = -math.inf
    begins_at: float = 0.0
    target: float = 0.0

    def at(self, time: float, time_constant: float) -> float:
        """The quantity at `time`, in the unit of `target`; both times in seconds."""
        if self.time == -math.inf:
            return self.target
        left = math.exp(-max(0.0, time - self.time) / time_constant)
        return self.target + (self.begins_at - self.target) * left
