"""The part in the reference path, a transformer, clamp or shunt: an instrument of its own, and what is known of its error."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from pydantic import Field, model_validator

from harness.class_tables.accuracy_classes import LIMITS, limit_currents, phase_displacement_limit, ratio_error_limit
from harness.core.interpolation import Node, check_rising
from harness.core.plausible_quantities import (
    Angle,
    CelsiusTemperature,
    Current,
    FractionPerKelvin,
    FractionPerYear,
    Frequency,
    FrequencyOrDirect,
    KelvinPerWatt,
    Power,
    RelativeError,
    Resistance,
    SignedAngle,
    SignedRelativeError,
)
from harness.core.quantities import format_quantity
from harness.files.device import Table
from harness.files.instrument_entry import Calibration

SAME_FREQUENCY = 0.01 + 1e-9
"""A calibration holds this far (relative) from its frequency: the reference range of IEC 61869-1 for measuring is 99 % to 101 %, both
ends included however they are rounded."""

SAME_BURDEN = 0.1
"""A calibration holds this far (relative) from its burden where nothing is stated of the burden's effect: a judgement."""

LEAST_BURDEN = 0.25
"""The classes of IEC 61869-2 hold from this part of the rated burden up to all of it."""

K_OF_CERTIFICATE = 2.0


class CalibratedAt(Table):
    """What the certificate of a part states at one current and frequency."""

    current: Current
    """Current through the part: that of the load, times the loops."""
    frequency: FrequencyOrDirect
    """Frequency of the calibration; `0 Hz` for one with direct current."""
    ratio_error: SignedRelativeError | None = None
    """(rated ratio times output - input) / input (IEC 61869-2)."""
    resistance: Resistance | None = None
    """Shunt: its resistance there, in place of the ratio error."""
    uncertainty: RelativeError
    """Expanded uncertainty (k = 2), relative."""
    phase_displacement: SignedAngle = 0.0
    """Positive where the output leads."""
    phase_uncertainty: Angle | None = None
    """Expanded uncertainty (k = 2) of the phase displacement; needed where power is measured."""


class ReferencePart(Table):
    """A transformer, clamp or shunt between the current and the reference: an instrument of its own."""

    name: str = ""
    """What it is called on the certificate."""
    serial: str = Field(min_length=1)
    """Serial number; you are asked to confirm it."""
    calibration: Calibration | None = None
    """The certificate it relies on."""
    ratio: float | None = Field(default=None, ge=1e-6, le=1e6)
    """Input amperes per output ampere. Give this or `resistance`."""
    resistance: Resistance | None = None
    """Output volts per input ampere: nominal resistance of a shunt, or the output of a clamp (`10 mV/A`)."""
    rated_current: Current
    """Rated input current; it is not exceeded."""
    rated_frequency: Frequency = 50.0
    """Frequency at which `accuracy_class` holds."""
    accuracy_class: str | None = None
    """Transformer: class of IEC 61869-2, which holds where it was not calibrated, between a quarter and all of `burden`."""
    bound: RelativeError | None = None
    """The maker's bound of its error, from `lowest_current` to `rated_current`."""
    phase_bound: Angle | None = None
    """The maker's bound of its phase displacement."""
    lowest_current: Current | None = None
    """Current from which `bound` holds."""
    burden: Resistance | None = None
    """Resistance on its secondary when it was calibrated, or for which it is rated."""
    burden_effect: RelativeError | None = None
    """Bound of what a smaller burden changes of the ratio error, and in rad of the phase displacement."""
    power_rating: Power | None = None
    """Shunt: largest power; current squared times resistance is not allowed to exceed it."""
    self_heating: KelvinPerWatt | None = None
    """Shunt: temperature rise per watt."""
    temperature_coefficient: FractionPerKelvin | None = None
    """Change of a shunt's resistance with temperature; of others that of the ratio error, and in rad of the phase displacement (bound)."""
    calibration_temperature: CelsiusTemperature = 23.0
    """Temperature at which it was calibrated."""
    drift_per_year: FractionPerYear = 0.0
    """Largest drift in a year (bound) of the ratio error, and in rad of the phase displacement; a shunt has none of that."""
    ac_dc_difference: RelativeError | None = None
    """Shunt: bound of what a calibration with direct current leaves unknown."""
    calibrated: tuple[CalibratedAt, ...] = ()
    """What its certificate states, in rising current at each frequency."""

    @model_validator(mode="after")
    def _known(self) -> ReferencePart:
        if (self.ratio is None) == (self.resistance is None):
            raise ValueError("found ratio and resistance both or neither, expected one of them")
        if self.accuracy_class is not None and self.accuracy_class not in LIMITS:
            raise ValueError(f"found accuracy_class {self.accuracy_class!r}, expected one of {', '.join(LIMITS)}")
        if (self.bound is None) != (self.lowest_current is None):
            raise ValueError("found only one of bound and lowest_current, expected both or neither")
        if self.lowest_current is not None and self.lowest_current >= self.rated_current:
            raise ValueError("found lowest_current not below rated_current, expected a span")
        if not self.calibrated and self.accuracy_class is None and self.bound is None:
            raise ValueError(
                "found no statement of its error, expected calibrated (from its certificate), accuracy_class, or bound and lowest_current"
            )
        if self.calibrated and self.calibration is None:
            raise ValueError("found calibrated without calibration, expected its certificate")
        check_rising([(c.frequency, c.current) for c in self.calibrated], "calibrated", "current")
        for row in self.calibrated:
            at = format_quantity(row.current, "A")
            wanted = "ratio_error" if self.ratio is not None else "resistance or ratio_error"
            if (row.resistance is None) == (row.ratio_error is None) or (row.resistance and self.ratio):
                raise ValueError(f"found calibrated at {at} without one of its values, expected {wanted}")
            if row.frequency == 0 and self.ac_dc_difference is None:
                raise ValueError(
                    f"found calibrated at {at} with direct current (0 Hz), expected ac_dc_difference too: a bound of the change "
                    "with alternating current"
                )
        return self

    def error_at(self, row: CalibratedAt) -> float:
        """The ratio error of a calibrated current: of a shunt, (resistance - nominal) / nominal."""
        if row.resistance is not None and self.resistance is not None:
            return row.resistance / self.resistance - 1.0
        return row.ratio_error or 0.0

    def rows(self, frequency: float) -> tuple[CalibratedAt, ...]:
        """The calibrated currents that hold at `frequency`: at the nearest calibrated one, or with direct current."""
        near = [c.frequency for c in self.calibrated if abs(c.frequency / frequency - 1) <= SAME_FREQUENCY]
        chosen = min(near, key=lambda f: abs(f - frequency)) if near else 0.0
        return tuple(c for c in self.calibrated if c.frequency == chosen)

    def nodes(self, frequency: float, *, phase: bool = False) -> tuple[Node, ...]:
        """The calibrated ratio errors at `frequency`, or with `phase` the phase displacements in rad; none where not known."""
        rows = self.rows(frequency)
        if not phase:
            return tuple(Node(c.current, self.error_at(c), c.uncertainty / K_OF_CERTIFICATE) for c in rows)
        return tuple(
            Node(c.current, c.phase_displacement, c.phase_uncertainty / K_OF_CERTIFICATE)
            for c in rows
            if c.phase_uncertainty is not None
        )

    def claimed(self, frequency: float, *, phase: bool = False) -> tuple[Node, ...]:
        """Errors by class or maker's claim at `frequency`: an error of zero with the standard uncertainty of the bound."""
        if self.accuracy_class is not None and abs(frequency / self.rated_frequency - 1) <= SAME_FREQUENCY:
            limit = phase_displacement_limit if phase else ratio_error_limit
            limits = ((part, limit(self.accuracy_class, part)) for part in limit_currents(self.accuracy_class))
            return tuple(
                Node(part * self.rated_current, 0.0, most / math.sqrt(3)) for part, most in limits if most is not None
            )
        bound = self.phase_bound if phase else self.bound
        if bound is None or self.lowest_current is None:
            return ()
        return tuple(Node(at, 0.0, bound / math.sqrt(3)) for at in (self.lowest_current, self.rated_current))

    def stated(self, frequency: float) -> Iterator[str]:
        """What is stated of its error: from which current to which, at what frequency (of several, the one that holds) and with what burden."""
        rated = None if self.burden is None else format_quantity(self.burden, "ohm")
        if rows := self.rows(frequency) or self.calibrated:
            hertz = ", ".join(f"{f:g} Hz" for f in sorted({row.frequency for row in rows}))
            span = _span(row.current for row in rows)
            yield f"calibrated {span} at {hertz}{f' with {rated}' if rated else ''}"
        if self.accuracy_class is not None:
            span = _span(p * self.rated_current for p in limit_currents(self.accuracy_class))
            least = format_quantity(LEAST_BURDEN * (self.burden or 0.0), "ohm")
            yield f"of class {self.accuracy_class} {span} at {self.rated_frequency:g} Hz with {least} to {rated}"
        elif self.lowest_current is not None:
            yield f"bounded by its maker {_span((self.lowest_current, self.rated_current))}"

    def known(self, frequency: float, burden: float | None, *, phase: bool = False) -> list[tuple[str, Sequence[Node]]]:
        """What is known of its error with `burden` ohms on its secondary, by origin, the better knowledge first.

        Currents are those through it, errors ratio errors or, with `phase`, phase displacements in rad.
        """
        connected = None if burden is None or self.burden is None else burden / self.burden
        found: list[tuple[str, Sequence[Node]]] = []
        near = connected is None or abs(connected - 1) <= SAME_BURDEN
        if near or (self.burden_effect is not None and connected is not None and connected <= 1 + SAME_BURDEN):
            found.append(("calibrated", self.nodes(frequency, phase=phase)))
        if self.accuracy_class is None or connected is None or LEAST_BURDEN <= connected <= 1:
            claim = "bound stated by its maker" if self.accuracy_class is None else f"class {self.accuracy_class}"
            found.append((claim, self.claimed(frequency, phase=phase)))
        return [(origin, nodes) for origin, nodes in found if nodes]


def _span(currents: Iterable[float]) -> str:
    rising = sorted(currents)
    return f"from {format_quantity(rising[0], 'A')} to {format_quantity(rising[-1], 'A')}"
