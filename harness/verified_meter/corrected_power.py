"""Power read on a verified range, corrected for its known error, with its expanded uncertainty, and what follows from power, current and voltage.

At the load's angle phi a meter whose current channel has the error c and the phase displacement delta shows the power with the error e,

    1 + e = (1 + c) (cos delta + tan phi sin delta)

(the exact form of e = c + delta tan phi, textbook of instrument transformers). Whether the current lags or leads no display tells, and
of a distorted current phi is only known to be no more than acos of the power factor. So c is corrected, and |delta| tan phi is a bound.
The power factor shown has the error of that angle too, and a gain g of its own in place of c.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.core.errors import UserError
from harness.core.interpolation import EDGE, Interpolated, Node, covers, interpolate
from harness.evaluation.uncertainty.gum_formulas import Contribution, rectangular
from harness.results import REPEATABILITY, PhaseDisplacement, PowerPoint, RangeResult, Stated
from harness.verified_meter.measured_quantity import (
    DisplayedValue,
    MeasuredQuantity,
    Part,
    drifted,
    last_digit,
    scattered,
)

MOST_TURNED = 0.5
"""Part of the power that the phase displacement may change; beyond, nothing is stated (a judgement)."""

LEAST_POWER_FACTOR = 1e-3
"""Below it a power factor bounds no angle."""


@dataclass(frozen=True)
class KnownPowerError:
    """What a verification says of power on a range at a current: the `common` error of all power factors, interpolated between
    the places `near`, and the bound `delta` of the phase displacement, in rad.
    """

    rng: RangeResult
    common: Interpolated
    delta: float
    near: tuple[PhaseDisplacement, ...]

    @property
    def error(self) -> float:
        """The error common to all power factors, a fraction."""
        return self.common.error

    def turned(self, power_factor: float) -> float:
        """The part of the power by which the phase displacement may change what is shown, at no less than this power factor (without sign).

        Raises UserError where it is too much to state anything.
        """
        factor = min(1.0, max(power_factor, LEAST_POWER_FACTOR))
        found = self.delta * math.tan(math.acos(factor)) + self.delta**2 / 2
        if found > MOST_TURNED:
            raise UserError(
                f"at a power factor of {factor:.2g} the phase displacement of range {self.rng.name} may change the power by {found:.0%}"
            )
        # An error of -e leaves e / (1 - e) of what is shown.
        return found / (1 - found)

    def parts(self, power_factor: float, drift: float) -> tuple[Part, ...]:
        """Why a power is uncertain that was corrected for the error, at no less than this power factor."""
        verified = max(p.common_error.standard_uncertainty for p in self.near)
        return (
            Part("verification of power", Contribution(verified, "normal")),
            Part(
                "error of power between two verified currents",
                Contribution(rectangular(self.common.bow), "rectangular"),
            ),
            Part.bound("phase displacement", self.turned(power_factor)),
            drifted(drift),
        )

    def points(self) -> list[PowerPoint]:
        """The powers verified at the places near."""
        at = {place.nominal_current for place in self.near}
        return [p for p in self.rng.power if p.nominal_current in at]


def known_power_error(rng: RangeResult, current: float) -> KnownPowerError:
    """Raises UserError where the phase displacement of `rng` was not found at `current` amperes."""
    found = sorted(rng.phase, key=lambda p: p.nominal_current)
    common = [_node(p, p.common_error) for p in found]
    if not covers(common, current):
        raise UserError(
            f"the phase displacement of range {rng.name} was not found at {current:.4g} A (procedure power_and_phase)"
        )
    angle = interpolate([_node(p, p.displacement) for p in found], current)
    error = interpolate(common, current)
    near = tuple(found[i] for i in sorted(set(error.interval)))
    delta = max(abs(p.displacement.value) + p.displacement.expanded_uncertainty for p in near) + angle.bow
    return KnownPowerError(rng, error, delta, near)


def corrected_power(
    known: KnownPowerError, shown: Sequence[DisplayedValue], power_factor: float, drift: float
) -> MeasuredQuantity:
    """The power that `shown`, in watts, one reading or several of one steady load, stand for.

    `power_factor`: the least that it may be, without sign. `drift` bounds what the error may have changed by, a fraction. Raises UserError where
    the phase displacement may change it by too much.
    """
    displayed = [one.displayed for one in shown]
    mean = math.fsum(displayed) / len(displayed)
    *verified, drifting = known.parts(power_factor, drift)
    read = (last_digit(max(s.step for s in shown), mean), scattered(displayed, _scatter(known)))
    return MeasuredQuantity(mean * known.rng.display_factor / (1 + known.error), (*verified, *read, drifting))


def apparent_power(current: MeasuredQuantity, voltage: float, voltage_error: float) -> MeasuredQuantity:
    """Voltage times current; `voltage_error` bounds the voltage's, in volts."""
    of_voltage = Part("voltage, as stated", Contribution(rectangular(voltage_error / voltage), "rectangular"))
    return MeasuredQuantity(voltage * current.value, (*current.parts, of_voltage))


def measured_power_factor(power: MeasuredQuantity, apparent: MeasuredQuantity) -> MeasuredQuantity:
    """Active over apparent power. What both have in common, the error of the current, is counted twice: it makes U too wide, never too narrow."""
    return MeasuredQuantity(power.value / apparent.value, (*power.parts, *apparent.parts))


def shown_power_factor(
    known: KnownPowerError, shown: Sequence[DisplayedValue], drift: float
) -> tuple[MeasuredQuantity, float]:
    """The power factor that `shown`, without sign, stands for, and the least it may be.

    It is not corrected: what its error depends on, the side to which the current leans, is not shown. Raises UserError where the power factor
    shown was not verified at that current, and where the phase displacement may change it by too much.
    """
    gain = _gain(known)
    if gain >= MOST_TURNED:
        near = " and ".join(f"{p.nominal_current:.4g} A" for p in known.near)
        raise UserError(
            f"range {known.rng.name}: no power factor shown below 1 was verified at {near} (procedure power_and_phase)"
        )
    displayed = [one.displayed for one in shown]
    mean, step = math.fsum(displayed) / len(displayed), max(s.step for s in shown)
    # Of a sine cos(phi - delta) is what is shown at the most; a distorted current has no larger angle.
    angle = math.acos(min(1.0, max(0.0, min(displayed) - step / 2) / (1 + gain))) + known.delta
    least = max(0.0, math.cos(min(angle, math.pi / 2)))
    parts = (
        Part.bound("verification of the power factor", gain / (1 - gain)),
        Part.bound("phase displacement", known.turned(least)),
        last_digit(step, mean),
        scattered(displayed, _scatter(known)),
        drifted(drift),
    )
    return MeasuredQuantity(mean, parts), least


def _gain(known: KnownPowerError) -> float:
    """The bound of what the phase displacement does not explain of the power factor shown, a fraction; infinite where none was found."""
    return max(min(_gains(known, place), default=math.inf) for place in known.near)


def _gains(known: KnownPowerError, place: PhaseDisplacement) -> Iterator[float]:
    """Bounds at one place, each of which holds. A display stops at 1: a power factor verified there says nothing of one shown too high."""
    delta = place.displacement
    for point in known.points():
        error, factor = point.power_factor_error, abs(point.power_factor)
        if point.nominal_current != place.nominal_current or error is None or not factor:
            continue
        if factor + abs(error.value) + error.expanded_uncertainty >= 1:
            continue
        tangent = math.tan(math.acos(factor))
        leans = math.copysign(tangent, point.nominal_power_factor or point.power_factor)
        shown = 1 + error.value / factor
        # What a displacement alone makes of the power factor, as a part of it.
        turned = math.cos(delta.value) + leans * math.sin(delta.value)
        if turned <= 0:
            continue
        of_delta = shown / turned * delta.expanded_uncertainty * (tangent + abs(delta.value))
        yield abs(shown / turned - 1) + (error.expanded_uncertainty / factor + of_delta) / turned


def _scatter(known: KnownPowerError) -> Contribution:
    """Of one reading of power, relative, from that of the means of the verification."""
    pairs = {point.name: point.pairs for point in known.rng.points}
    found = [Contribution(0.0)]
    for point in known.points():
        for line in point.budget:
            if line.source.startswith(REPEATABILITY):
                freedom = math.inf if line.degrees_of_freedom is None else line.degrees_of_freedom
                found.append(Contribution(math.sqrt(pairs.get(point.name, 1)) * line.contribution, "normal", freedom))
    return max(found, key=lambda c: c.standard_uncertainty)


def _node(found: PhaseDisplacement, value: Stated) -> Node:
    return Node(found.nominal_current, value.value, value.standard_uncertainty)


def power_was_verified(rng: RangeResult, current: float) -> bool:
    """Whether the phase displacement of `rng` was found at `current` amperes."""
    currents = sorted(p.nominal_current for p in rng.phase)
    return bool(currents) and currents[0] * (1 - EDGE) <= current <= currents[-1] * (1 + EDGE)
