"""What a meter whose supply is tapped behind its sensor shows of itself, taken off what it shows of a load."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.core.errors import UserError
from harness.evaluation.uncertainty.gum_formulas import Contribution, rectangular
from harness.results import DeviceSummary, RangeResult
from harness.verified_meter.load_dialogue import WithoutLoad
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredQuantity, Part

OWN_ERROR = 0.1
"""Bound of the error of what is shown with no load, a fraction: it lies below what was verified (a judgement)."""

MOST = 0.5
"""Part of a reading that may be the meter's own; beyond, the load was hardly unplugged (a judgement)."""


@dataclass(frozen=True)
class OwnDraw:
    """With nothing plugged in: `current` in amperes and `power` in watts, by the display factor; the step of either; 0 where nothing is shown.

    `hidden`: the current in amperes below which the display shows none, so that the meter may draw as much and show 0.
    """

    current: float
    current_step: float
    power: float
    power_step: float
    hidden: float = 0.0

    @classmethod
    def of(cls, rng: RangeResult, shown: WithoutLoad, device: DeviceSummary) -> "OwnDraw":
        factor, power_step = rng.display_factor, device.power_resolution or 0.0
        return cls(
            shown.current * factor,
            device.resolution * factor,
            (shown.power or 0.0) * factor,
            power_step * factor,
            device.smallest_readable_current * factor,
        )

    def off_current(
        self, found: MeasuredQuantity, powers: tuple[float, float] | None = None, voltage: float = 0.0
    ) -> MeasuredQuantity:
        """The current of the load alone, from the whole current `found`. Raises UserError.

        Currents add as phasors: it differs by no more than the meter's own, either way. Where the whole power is known to lie within `powers`, at
        `voltage`, the parts in phase with the voltage are known too, and of the others only whether they add or take away is not.
        """
        if not self.current:
            return self._hidden(found)
        unsure = self.current * OWN_ERROR + self.current_step / 2
        if powers is None or not self.power:
            return self._less(found, 0.0, self.current + unsure)
        low, high = self._apart(found.value, powers, voltage)
        return self._less(found, found.value - (low + high) / 2, (high - low) / 2 + unsure)

    def _hidden(self, found: MeasuredQuantity) -> MeasuredQuantity:
        """With what may flow where the display shows none: from nothing to the smallest readable current, either way."""
        if not self.hidden:
            return found
        part = Contribution(rectangular(self.hidden / found.value), "rectangular")
        return MeasuredQuantity(found.value, (*found.parts, Part("what the meter may draw and not show", part)))

    def _apart(self, current: float, powers: tuple[float, float], voltage: float) -> tuple[float, float]:
        """The least and the most that is left of `current`: what makes no power is at right angles to what does, harmonics included."""
        mine = min(self.current, self.power / voltage)
        aside = math.sqrt(self.current**2 - mine**2)
        left = []
        for power in powers:
            along = min(current, power / voltage)
            across = math.sqrt(current**2 - along**2)
            left += [math.hypot(along - mine, across + side) for side in (aside, -aside)]
        if powers[0] <= current * voltage * mine / self.current <= powers[1]:
            left.append(abs(current - self.current))
        return min(left), max(left)

    def off_power(self, found: MeasuredQuantity) -> MeasuredQuantity:
        """The power of the load alone: powers add. Raises UserError."""
        return self._less(found, self.power, self.power and self.power * OWN_ERROR + self.power_step / 2)

    def off_energy(self, found: MeasuredQuantity, seconds: float) -> MeasuredQuantity:
        """The energy in joules of the load alone over `seconds`. Raises UserError."""
        over = replace(self, power=self.power * seconds, power_step=self.power_step * seconds)
        return over.off_power(found)

    def _less(self, found: MeasuredQuantity, off: float, bound: float) -> MeasuredQuantity:
        if not off and not bound:
            return found
        if max(abs(off), bound) > MOST * found.value:
            raise UserError(
                "what the meter shows with nothing plugged in is more than half of what it shows with the load: was the load unplugged?"
            )
        left = found.value - off
        parts = [Part(p.source, _scaled(p.contribution, found.value / left), p.in_full) for p in found.parts]
        own = Part.bound("what the meter shows with no load", bound / left)
        return MeasuredQuantity(left, (*parts, own))


def _scaled(part: Contribution, factor: float) -> Contribution:
    return Contribution(part.standard_uncertainty * factor, part.distribution, part.degrees_of_freedom)


def displayed(values: Sequence[float], step: float) -> list[DisplayedValue]:
    """Readings of one display, all of one step."""
    return [DisplayedValue(value, step) for value in values]
