"""What a meter whose supply is tapped behind its sensor shows of itself, taken off what it shows of a load."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.core.errors import UserError
from harness.evaluation.uncertainty.gum_formulas import Contribution, rectangular
from harness.results import RangeResult
from harness.verified_meter.load_dialogue import WithoutLoad
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredQuantity, Part

OWN_ERROR = 0.1
"""Bound of the error of what is shown with no load, a fraction: it lies below what was verified (a judgement)."""

MOST = 0.5
"""Part of a reading that may be the meter's own; beyond, the load was hardly unplugged (a judgement)."""


@dataclass(frozen=True)
class OwnDraw:
    """With nothing plugged in: `current` in amperes and `power` in watts, by the display factor; the step of either; 0 where nothing is shown."""

    current: float
    current_step: float
    power: float
    power_step: float

    @classmethod
    def of(cls, rng: RangeResult, shown: WithoutLoad, step: float, power_step: float) -> "OwnDraw":
        factor = rng.display_factor
        return cls(shown.current * factor, step * factor, (shown.power or 0.0) * factor, power_step * factor)

    def off_current(self, found: MeasuredQuantity) -> MeasuredQuantity:
        """The current of the load alone. Currents add as phasors: it differs by no more than the meter's own, either way. Raises UserError."""
        return self._less(found, 0.0, self.current and self.current * (1 + OWN_ERROR) + self.current_step / 2)

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
        if max(off, bound) > MOST * found.value:
            raise UserError(
                "what the meter shows with nothing plugged in is more than half of what it shows with the load: was the load unplugged?"
            )
        left = found.value - off
        parts = [Part(p.source, _scaled(p.contribution, found.value / left)) for p in found.parts]
        own = Part("what the meter shows with no load", Contribution(rectangular(bound) / left, "rectangular"))
        return MeasuredQuantity(left, (*parts, own))


def _scaled(part: Contribution, factor: float) -> Contribution:
    return Contribution(part.standard_uncertainty * factor, part.distribution, part.degrees_of_freedom)


def displayed(values: Sequence[float], step: float) -> list[DisplayedValue]:
    """Readings of one display, all of one step."""
    return [DisplayedValue(value, step) for value in values]
