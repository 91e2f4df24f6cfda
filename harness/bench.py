"""The bench file: the instruments, their calibrations, and who plays which part.

Its larger tables have modules of their own: `instrument_entry`, `reference_path` and `decision`.
"""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, model_validator

from harness.decision import Decision
from harness.device import Table
from harness.instrument_entry import (
    Accuracy,
    Calibration,
    InstrumentEntry,
    PowerAccuracy,
    ShelfEntry,
    VoltageAccuracy,
)
from harness.quantities import CelsiusTemperature, Current, Humidity, PlainName, RelativeError
from harness.reference_path import ReferencePath

__all__ = [
    "ROLES",
    "Accuracy",
    "Bench",
    "Calibration",
    "CheckStandard",
    "Decision",
    "Environment",
    "Evaluation",
    "InstrumentEntry",
    "Laboratory",
    "PowerAccuracy",
    "ReferencePath",
    "Role",
    "Roles",
    "ShelfEntry",
    "Simulation",
    "VoltageAccuracy",
]

Role = Literal["load", "reference", "meter", "switch"]
ROLES: tuple[Role, ...] = ("load", "reference", "meter", "switch")


class Roles(Table):
    """Which instrument plays which part, by its name in `instruments`.

    `secondary`: a multimeter in the secondary loop of the device's transformer. `voltage`: what reads the voltage
    where the reference does not. `check_standard`: what the bench itself is checked with.
    """

    load: str
    reference: str
    meter: str
    switch: str
    environment: str | None = None
    secondary: str | None = None
    voltage: str | None = None
    check_standard: str | None = None


class CheckStandard(Table):
    """What the check standard is known to read: its ratio to the reference current at `current` amperes.

    `uncertainty` is the expanded uncertainty (k = 2) of `ratio`, relative; `standard_deviation` its scatter from day to day, relative. `established_here`:
    with this very reference, whose lasting errors are in the ratio then.
    """

    current: Current
    ratio: float = Field(default=1.0, ge=0.1, le=10)
    uncertainty: RelativeError
    standard_deviation: RelativeError = 0.0
    established_here: bool = False


class Environment(Table):
    """Conditions as read at the bench; what a sensor playing `environment` reads during a run goes before them."""

    temperature: CelsiusTemperature
    relative_humidity: Humidity | None = None


class Laboratory(Table):
    """Who issues the certificate."""

    name: str
    address: str = ""
    statement: str = ""


class Evaluation(Table):
    """How the readings are evaluated. `pooled_repeatability`: the points of a range share their scatter, where it is alike."""

    pooled_repeatability: bool = False


class Simulation(Table):
    """How the simulated stand-in of this bench behaves; real benches leave this table out."""

    seed: int = 1
    faults: tuple[str, ...] = ()


class Bench(Table):
    """The whole bench file. `visa` is the VISA library, as PyVISA names it."""

    laboratory: Laboratory
    roles: Roles
    reference_path: ReferencePath = ReferencePath()
    environment: Environment
    decision: Decision = Decision()
    evaluation: Evaluation = Evaluation()
    check_standard: CheckStandard | None = None
    instruments: dict[PlainName, InstrumentEntry]
    safe_order: tuple[str, ...] = ()
    visa: str = Field(default="@py", min_length=1)
    simulation: Simulation = Simulation()

    @model_validator(mode="after")
    def _consistent(self) -> Bench:
        names = set(self.instruments)
        for role, name in self.roles.model_dump().items():
            if name is not None and name not in names:
                raise ValueError(f"found roles.{role} = {name!r}, expected one of {', '.join(sorted(names))}")
        played: dict[str, str] = {}
        for role, name in self.roles.model_dump().items():
            if name in played and (played[name], role) != ("reference", "voltage"):
                raise ValueError(
                    f"found {name!r} in roles.{played[name]} and in roles.{role}, expected an instrument of its own for each "
                    "(a reference may read the voltage too)"
                )
            if name is not None:
                played[name] = role
        for name in self.safe_order:
            if name not in self.roles.model_dump().values():
                raise ValueError(f"found {name!r} in safe_order, expected instruments that play a role")
        addresses: dict[str, str] = {}
        for name, entry in self.instruments.items():
            key = f"{entry.address} unit {entry.unit_id}" if entry.address else ""
            if key and key in addresses:
                raise ValueError(
                    f"found instruments.{name}.address = {entry.address!r} used by {addresses[key]!r} too, expected each address once"
                )
            addresses[key] = name
        load = self.instruments[self.roles.load]
        if load.by_person and not load.shelf:
            raise ValueError(
                f"found no shelf for instruments.{self.roles.load}, expected the loads that can be plugged in"
            )
        if (self.roles.check_standard is None) != (self.check_standard is None):
            raise ValueError("found only one of roles.check_standard and [check_standard], expected both or neither")
        if self.roles.secondary is not None and not self.instruments[self.roles.secondary].ranges:
            raise ValueError(
                f"found no ranges for instruments.{self.roles.secondary}, expected the accuracy per range of what reads the secondary"
            )
        if self.roles.voltage is not None and self.instruments[self.roles.voltage].voltage is None:
            raise ValueError(
                f"found no voltage for instruments.{self.roles.voltage}, expected how well it reads the voltage"
            )
        reference, path = self.instruments[self.roles.reference], self.reference_path
        if not reference.ranges:
            raise ValueError(
                f"found no ranges for instruments.{self.roles.reference}, expected the reference's accuracy per range"
            )
        if reference.calibration is None:
            raise ValueError(
                f"found no calibration for instruments.{self.roles.reference}, expected its certificate and due date"
            )
        if path.in_volts != (reference.ranges[0].unit == "V"):
            raise ValueError(
                f"found ranges of instruments.{self.roles.reference} in {reference.ranges[0].unit}, expected them in "
                f"{'V' if path.in_volts else 'A'}: what the reference reads of the reference path"
            )
        if path.in_volts and (reference.power is not None or reference.voltage is not None):
            raise ValueError(
                f"found power or voltage of instruments.{self.roles.reference}, which reads the voltage of the reference path, "
                "expected another instrument in roles.voltage"
            )
        if path.part is not None and path.part.ratio is not None and any(r.burden is None for r in reference.ranges):
            raise ValueError(
                f"found ranges of instruments.{self.roles.reference} without burden, expected what each puts on the secondary "
                'of the reference path, such as burden = "0.1 ohm" (the burden voltage of its manual, over the current)'
            )
        return self

    @property
    def shelf_currents(self) -> tuple[float, ...]:
        """Amperes of the loads on the shelf, rising; empty when the load can be set to any current."""
        return tuple(sorted(load.current for load in self.entry("load").shelf))

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
        found = [r for r in self.entry("reference").ranges if math.isclose(r.full_scale, full_scale)]
        if not found:
            raise ValueError(f"the reference has no range of {full_scale:g}, so the point's uncertainty is unknown")
        return (found[0].burden or 0.0) + (path.leads or 0.0)

    def player(self, role: Role) -> str:
        """The name of the instrument playing `role`."""
        name: str = getattr(self.roles, role)
        return name

    def entry(self, role: Role) -> InstrumentEntry:
        """The instrument playing `role`."""
        return self.instruments[self.player(role)]
