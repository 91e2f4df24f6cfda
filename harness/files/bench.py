"""The bench file: the instruments, their calibrations, and who plays which part.

Its larger tables have modules of their own: `instrument_entry`, `reference_path` and `decision_rule`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain
from typing import Literal

from pydantic import Field, model_validator

from harness.core.plausible_quantities import CelsiusTemperature, Current, Humidity, RelativeError
from harness.files.decision_rule import Decision
from harness.files.device import Table
from harness.files.instrument_entry import Accuracy, InstrumentEntry
from harness.files.plain_name import PlainName
from harness.files.reference_path import ReferencePath
from harness.files.shelf_entry import ShelfEntry

BenchRole = Literal["load", "reference", "meter", "switch"]


class Roles(Table):
    """Which instrument has which function, by its name in `[instruments]`."""

    load: str
    """Drives the current and is made safe first."""
    reference: str
    """Measures the current that the meter is compared with."""
    meter: str
    """The meter under test."""
    switch: str
    """Moves the range switch."""
    environment: str | None = None
    """A sensor of temperature and humidity, read at the start of a run."""
    secondary: str | None = None
    """A multimeter in the secondary loop of the meter's transformer. Never open that loop under current."""
    voltage: str | None = None
    """Measures the voltage; may be the reference itself."""
    check_standard: str | None = None
    """A stable meter in the same circuit, with which the bench itself is checked."""


class CheckStandard(Table):
    """What the check standard is known to read: its ratio to the reference current."""

    current: Current
    """Current at which the ratio was established."""
    ratio: float = Field(default=1.0, ge=0.1, le=10)
    """Its reading over the current of the reference."""
    uncertainty: RelativeError
    """Expanded uncertainty (k = 2) of the ratio, relative."""
    standard_deviation: RelativeError = 0.0
    """Scatter of the ratio from day to day, relative."""
    established_here: bool = False
    """`true` where the ratio was found with this very reference: lasting errors of the reference are then part of it and do not count again."""


class Environment(Table):
    """Conditions at the bench. Values of a sensor with the role `environment` take precedence."""

    temperature: CelsiusTemperature
    """Ambient temperature."""
    relative_humidity: Humidity | None = None
    """Relative humidity."""


class Laboratory(Table):
    """Who issues the certificate."""

    name: str
    """Name of the laboratory or workshop."""
    address: str = ""
    """Its address."""
    statement: str = ""
    """Only where the laboratory has something to state about its accreditation, on its own authority."""


class Evaluation(Table):
    """How the readings are evaluated."""

    pooled_repeatability: bool = False
    """The points of a range share their scatter if a test finds it alike (Cochran, ISO 5725-2); the results say so if not."""


class Simulation(Table):
    """How the simulated bench behaves. A real bench leaves this table out."""

    seed: int = 1
    """Seed of the random numbers."""
    faults: tuple[str, ...] = ()
    """Faults of the simulated bench; `ratioproof demo --list-faults` lists them."""


class Bench(Table):
    """The whole bench file."""

    laboratory: Laboratory
    """Who issues the certificate."""
    roles: Roles
    """Which instrument has which function."""
    reference_path: ReferencePath = ReferencePath()
    """How the reference sees the current."""
    environment: Environment
    """Conditions at the bench."""
    decision: Decision = Decision()
    """How an error becomes a verdict."""
    evaluation: Evaluation = Evaluation()
    """How the readings are evaluated."""
    check_standard: CheckStandard | None = None
    """What the check standard is known to read."""
    instruments: dict[PlainName, InstrumentEntry]
    """One table `[instruments.NAME]` for each instrument; you choose the names."""
    safe_order: tuple[str, ...] = ()
    """Names of instruments in the order in which they are made safe. The load is always first."""
    visa: str = Field(default="@py", min_length=1)
    """VISA library, as PyVISA names it."""
    simulation: Simulation = Simulation()
    """How the simulated bench behaves."""

    @model_validator(mode="after")
    def _consistent(self) -> Bench:
        for problem in chain(self._of_roles(), self._of_instruments(), self._of_functions(), self._of_reference()):
            raise ValueError(problem)
        return self

    def _of_roles(self) -> Iterator[str]:
        roles = {role: name for role, name in self.roles.model_dump().items() if name is not None}
        for role, name in roles.items():
            if name not in self.instruments:
                yield f"found roles.{role} = {name!r}, expected one of {', '.join(sorted(self.instruments))}"
        played: dict[str, str] = {}
        for role, name in roles.items():
            if name in played and (played[name], role) != ("reference", "voltage"):
                yield (
                    f"found {name!r} in roles.{played[name]} and in roles.{role}, expected an instrument of its own for each "
                    "(a reference may read the voltage too)"
                )
            played[name] = role
        for name in self.safe_order:
            if name not in roles.values():
                yield f"found {name!r} in safe_order, expected instruments that play a role"

    def _of_instruments(self) -> Iterator[str]:
        somebody_acts = self.entry("load").by_person or self.entry("reference").by_person
        for name, entry in self.instruments.items():
            limited = any(r.longest_on is not None for r in entry.ranges)
            if limited and not (somebody_acts and name == self.roles.reference):
                found = f"found instruments.{name}.ranges with longest_on"
                yield f"{found}, expected it of the reference, where a person reads it or plugs in the load"

    def _of_functions(self) -> Iterator[str]:
        load, secondary, voltage = self.roles.load, self.roles.secondary, self.roles.voltage
        if self.entry("load").by_person and not self.entry("load").shelf:
            yield f"found no shelf for instruments.{load}, expected the loads that can be plugged in"
        if (self.roles.check_standard is None) != (self.check_standard is None):
            yield "found only one of roles.check_standard and [check_standard], expected both or neither"
        if secondary is not None and not self.instruments[secondary].ranges:
            accuracy = "the accuracy per range of what reads the secondary"
            yield f"found no ranges for instruments.{secondary}, expected {accuracy}"
        if voltage is not None and self.instruments[voltage].voltage is None:
            yield f"found no voltage for instruments.{voltage}, expected how well it reads the voltage"

    def _of_reference(self) -> Iterator[str]:
        reference, path, at = self.entry("reference"), self.reference_path, f"instruments.{self.roles.reference}"
        if not reference.ranges:
            yield f"found no ranges for {at}, expected the reference's accuracy per range"
        if reference.calibration is None:
            yield f"found no calibration for {at}, expected its certificate and due date"
        if reference.by_person and not reference.serial:
            yield f"found no serial for {at}, expected the serial number that its calibration certificate names"
        if path.in_volts != (reference.ranges[0].unit == "V"):
            expected = f"{'V' if path.in_volts else 'A'}: what the reference reads of the reference path"
            yield f"found ranges of {at} in {reference.ranges[0].unit}, expected them in {expected}"
        if path.in_volts and (reference.power is not None or reference.voltage is not None):
            yield (
                f"found power or voltage of {at}, which reads the voltage of the reference path, "
                "expected another instrument in roles.voltage"
            )
        if path.part is not None and path.part.ratio is not None and any(r.burden is None for r in reference.ranges):
            yield (
                f"found ranges of {at} without burden, expected what each puts on the secondary "
                'of the reference path, such as burden = "0.1 ohm" (the burden voltage of its manual, over the current)'
            )

    @property
    def shelf_currents(self) -> tuple[float, ...]:
        """Amperes of the loads on the shelf, rising; empty when the load can be set to any current."""
        return tuple(sorted(load.current for load in self.entry("load").shelf))

    def plugged(self, current: float) -> ShelfEntry | None:
        """The load off the shelf on which `current` is written; None where the load is set by wire or the shelf does not hold it."""
        return next((load for load in self.entry("load").shelf if math.isclose(load.current, current)), None)

    @property
    def known_loads(self) -> tuple[float, ...]:
        """Amperes of the loads on the shelf whose power factor is known, rising."""
        return tuple(sorted(s.current for s in self.entry("load").shelf if s.power_factor_uncertainty))

    def connected_burden(self, full_scale: float) -> float | None:
        """Ohms on the secondary of the reference path on a range of the reference; None where the path has no secondary.

        Raises ValueError for a range it does not have.
        """
        path = self.reference_path
        if path.part is None or path.part.ratio is None:
            return None
        return (self.reference_range(full_scale).burden or 0.0) + (path.leads or 0.0)

    def reference_range(self, full_scale: float) -> Accuracy:
        """The range of the reference with this full scale, in its own unit. Raises ValueError where it has none."""
        for accuracy in self.entry("reference").ranges:
            if math.isclose(accuracy.full_scale, full_scale):
                return accuracy
        raise ValueError(f"the reference has no range of {full_scale:g}, so the point's uncertainty is unknown")

    def entry(self, role: BenchRole) -> InstrumentEntry:
        """The instrument playing `role`."""
        return self.instruments[getattr(self.roles, role)]
