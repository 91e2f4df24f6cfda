"""Power read on a verified range: the measured value with its expanded uncertainty, and what follows from power, current and voltage.

At the load's angle phi a meter whose current channel has the error c and the phase displacement delta shows the power with the error e,

    1 + e = (1 + c) (cos delta + tan phi sin delta)

(the exact form of e = c + delta tan phi, textbook of instrument transformers). Whether the current lags or leads no display tells, and
of a distorted current phi is only known to be no more than acos of the power factor. So c is corrected, and |delta| tan phi is a bound.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.errors import UserError
from harness.core.interpolation import EDGE, Node, covers, interpolate
from harness.evaluation.uncertainty.combined_uncertainty import Contribution, combined, rectangular, type_a
from harness.evaluation.uncertainty.coverage_factor import coverage_factor
from harness.results import PhaseDisplacement, RangeResult, Stated

MOST_TURNED = 0.5
"""Part of the power that the phase displacement may change; beyond, nothing is stated (a judgement)."""


@dataclass(frozen=True)
class MeasuredQuantity:
    """A value and why it is uncertain, as parts of the value (standard uncertainties, relative)."""

    value: float
    relative: tuple[Contribution, ...]

    def stated(self, probability: float) -> Stated:
        """With its expanded uncertainty for a two-sided coverage `probability`."""
        parts = [c for c in self.relative if c.standard_uncertainty]
        coverage = coverage_factor(parts, probability)
        u = abs(self.value) * combined(parts)
        return Stated(self.value, u, coverage.factor * u, coverage.factor, coverage.told_degrees_of_freedom)


def measured_power(
    rng: RangeResult, current: float, shown: Sequence[float], step: float, power_factor: float, drift: float
) -> MeasuredQuantity:
    """The power that `shown`, two readings or more in watts with a step of `step` watts, stand for at `current` amperes on `rng`.

    `power_factor`: the least that it may be, without sign. `drift` bounds what the error may have changed by, a fraction. Raises UserError where
    the phase displacement of the range was not found at that current.
    """
    found = sorted(rng.phase, key=lambda p: p.nominal_current)
    common = [_node(p, p.common_error) for p in found]
    if not covers(common, current):
        raise UserError(
            f"the phase displacement of range {rng.name} was not found at {current:.4g} A (procedure power_and_phase)"
        )
    displaced = [_node(p, p.displacement) for p in found]
    error, angle = interpolate(common, current), interpolate(displaced, current)
    near = [found[i] for i in set(error.interval)]
    factor = min(1.0, max(power_factor, 1e-3))
    tangent = math.tan(math.acos(factor))
    delta = max(abs(p.displacement.value) + p.displacement.expanded_uncertainty for p in near) + angle.bow
    turned = delta * tangent + delta**2 / 2
    if turned > MOST_TURNED:
        raise UserError(
            f"at a power factor of {factor:.2g} the phase displacement of range {rng.name} may change the power by {turned:.0%}"
        )
    indicated = math.fsum(shown) / len(shown) * rng.display_factor
    value = indicated / (1 + error.error)
    scatter = type_a(shown)
    least = abs(math.fsum(shown) / len(shown))
    return MeasuredQuantity(
        value,
        (
            Contribution(max(p.common_error.standard_uncertainty for p in near), "normal"),
            Contribution(rectangular(error.bow), "rectangular"),
            # An error of -e leaves e / (1 - e) of what is shown.
            Contribution(rectangular(turned / (1 - turned)), "rectangular"),
            Contribution(rectangular(step / 2) / least, "rectangular"),
            Contribution(scatter.standard_uncertainty / least, "normal", scatter.degrees_of_freedom),
            Contribution(rectangular(drift), "rectangular"),
        ),
    )


def apparent_power(current: Stated, voltage: float, voltage_error: float) -> MeasuredQuantity:
    """Voltage times current; `voltage_error` bounds the voltage's, in volts."""
    freedom = math.inf if current.degrees_of_freedom is None else current.degrees_of_freedom
    return MeasuredQuantity(
        voltage * current.value,
        (
            Contribution(current.standard_uncertainty / current.value, "normal", freedom),
            Contribution(rectangular(voltage_error / voltage), "rectangular"),
        ),
    )


def measured_power_factor(power: MeasuredQuantity, apparent: MeasuredQuantity) -> MeasuredQuantity:
    """Active over apparent power. What both have in common, the error of the current, is counted twice: it makes U too wide, never too narrow."""
    return MeasuredQuantity(power.value / apparent.value, (*power.relative, *apparent.relative))


def _node(found: PhaseDisplacement, value: Stated) -> Node:
    return Node(found.nominal_current, value.value, value.standard_uncertainty)


def power_was_verified(rng: RangeResult, current: float) -> bool:
    """Whether the phase displacement of `rng` was found at `current` amperes."""
    currents = sorted(p.nominal_current for p in rng.phase)
    return bool(currents) and currents[0] * (1 - EDGE) <= current <= currents[-1] * (1 + EDGE)
