"""The bench file: the instruments, their calibrations, and who plays which part."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from pydantic import Field, model_validator

from harness.device import Table
from harness.quantities import (
    Angle,
    CelsiusTemperature,
    Current,
    Duration,
    Fraction,
    FractionPerKelvin,
    FractionPerYear,
    Power,
    Resistance,
    SignedAngle,
    SignedFraction,
    Voltage,
)

Role = Literal["load", "reference", "meter", "switch"]
ROLES: tuple[Role, ...] = ("load", "reference", "meter", "switch")


class Accuracy(Table):
    """One range of a reference instrument and its claimed accuracy there (bounds, taken as rectangular).

    `full_scale` and `resolution` in the instrument's own amperes, before the factor of the reference path.
    """

    full_scale: Current
    of_reading: Fraction
    of_range: Fraction = 0.0
    resolution: Current


class VoltageAccuracy(Table):
    """Claimed accuracy of a voltage reading (bound, taken as rectangular); `resolution` in volts."""

    of_reading: Fraction
    resolution: Voltage


class PowerAccuracy(Table):
    """Claimed accuracy of a reading of active power (bounds, taken as rectangular).

    `phase` is the bound of the angle between the instrument's own voltage and current channels: what it does to the
    power grows with the tangent of the load's angle. `resolution` in watts, before the factor of the reference path.
    """

    of_reading: Fraction
    phase: Angle = 0.0
    resolution: Power


class Calibration(Table):
    """The certificate an instrument stands on."""

    certificate: str
    date: dt.date
    due: dt.date
    laboratory: str = ""

    @model_validator(mode="after")
    def _order(self) -> Calibration:
        if self.due <= self.date:
            raise ValueError(f"found due {self.due} not after date {self.date}, expected a later day")
        return self


class ShelfEntry(Table):
    """One load on the shelf: what it is called, the current it draws, roughly, and its power factor (negative: leading).

    A `power_factor_uncertainty` (expanded, k = 2) makes it a load of known power factor, which a power can be computed from.
    """

    name: str = Field(min_length=1)
    current: Current
    power_factor: float = Field(default=1.0, ge=-1, le=1)
    power_factor_uncertainty: float = Field(default=0.0, ge=0, lt=1)

    @model_validator(mode="after")
    def _some_power(self) -> ShelfEntry:
        if abs(self.power_factor) < 0.1:
            raise ValueError(
                f"found power_factor {self.power_factor:g}, expected 0.1 to 1, or -1 to -0.1 for a leading current"
            )
        return self


class InstrumentEntry(Table):
    """One instrument on the bench. `profile` is the name of a profile file, or `person`.

    `shelf` lists what a person who plays the load can plug in. `voltage` and `power` say how well it reads those;
    `power_factor_uncertainty` (expanded, k = 2) how well a load that can be set to a power factor keeps it; `burden`
    what a meter in the secondary adds to the loop.
    """

    profile: str
    address: str = ""
    serial: str = ""
    timeout: Duration = 3.0
    unit_id: int = Field(default=1, ge=0, le=247)
    read_termination: str | None = Field(default=None, min_length=1)
    write_termination: str | None = None
    baud_rate: int = Field(default=19200, gt=0)
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"
    lock: bool = False
    calibration: Calibration | None = None
    ranges: tuple[Accuracy, ...] = ()
    voltage: VoltageAccuracy | None = None
    power: PowerAccuracy | None = None
    power_factor_uncertainty: float | None = Field(default=None, ge=0, lt=1)
    burden: Resistance | None = None
    drift_per_year: FractionPerYear = 0.0
    temperature_coefficient: FractionPerKelvin = 0.0
    calibration_temperature: CelsiusTemperature = 23.0
    positions: dict[str, str] = Field(default_factory=dict)
    minimum_current: Current | None = None
    maximum_current: Current | None = None
    shelf: tuple[ShelfEntry, ...] = ()

    @property
    def by_person(self) -> bool:
        """Whether a person reads or moves this instrument."""
        return self.profile == "person"

    @model_validator(mode="after")
    def _reachable(self) -> InstrumentEntry:
        if not self.by_person and not self.address:
            raise ValueError('found no address, expected one (or profile = "person")')
        if self.shelf and not self.by_person:
            raise ValueError('found a shelf, expected one only with profile = "person"')
        currents = [load.current for load in self.shelf]
        if len(set(currents)) != len(currents):
            raise ValueError(f"found shelf currents {currents}, expected every current once")
        scales = [r.full_scale for r in self.ranges]
        if scales != sorted(set(scales)):
            raise ValueError(f"found full scales {scales}, expected them rising")
        return self


class ReferencePath(Table):
    """How the reference instrument sees the current: what its reading must be multiplied by.

    `direct`: the current itself. `transformer`: through a reference transformer of `ratio` (primary to secondary),
    its window passed `loops` times by the load lead. `uncertainty` is the expanded uncertainty (k = 2) of that
    factor, relative. `position` bounds what the place of the lead in the transformer's window, and of its loops around it,
    changes (relative; the maker's figure, or found by moving the lead about). `phase_displacement` is the reference
    transformer's own (positive when its secondary leads), with its expanded uncertainty (k = 2).
    """

    kind: Literal["direct", "transformer"] = "direct"
    ratio: float = Field(default=1.0, gt=0)
    loops: int = Field(default=1, gt=0)
    uncertainty: Fraction = 0.0
    position: Fraction = 0.0
    phase_displacement: SignedAngle = 0.0
    phase_displacement_uncertainty: Angle = 0.0
    maximum_current: Current | None = None

    @model_validator(mode="after")
    def _complete(self) -> ReferencePath:
        if self.kind == "direct" and (self.ratio != 1.0 or self.loops != 1):
            raise ValueError('found ratio or loops, expected them with kind = "transformer" only')
        if self.kind == "direct" and self.position:
            raise ValueError('found position, expected it with kind = "transformer" only')
        return self

    @property
    def factor(self) -> float:
        """Primary current in amperes per unit of the reference reading."""
        return self.ratio / self.loops


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
    ratio: float = Field(default=1.0, gt=0)
    uncertainty: Fraction
    standard_deviation: Fraction = 0.0
    established_here: bool = False


class Environment(Table):
    """Conditions as read at the bench; what a sensor playing `environment` reads during a run goes before them."""

    temperature: CelsiusTemperature
    relative_humidity: Fraction | None = None


class Laboratory(Table):
    """Who issues the certificate."""

    name: str
    address: str = ""
    statement: str = ""


class Decision(Table):
    """How a measured error becomes a verdict; A is the acceptance limit, L the limit claimed.

    `simple`: A = L. `guarded`: A = L - w, w = r U with r = `guard_factor`. `false_accept`: A leaves at most
    `false_accept_probability` that an item accepted is beyond L. `shared_risk`: items are known to be distributed normally, and A
    is lowered from L as far as `greatest_consumer_risk` asks for. Prior mean and standard deviation are parts of L.
    `verdicts`: pass and fail, or with a conditional one on each side of L (ILAC-G8:09/2019).
    `least_test_uncertainty_ratio`: what L / U is asked to be everywhere.
    """

    rule: Literal["simple", "guarded", "false_accept", "shared_risk"] = "guarded"
    coverage_probability: float = Field(default=0.9545, gt=0.5, lt=1.0)
    guard_factor: float = Field(default=1.0, ge=0, le=10)
    false_accept_probability: Fraction | None = Field(default=None, gt=0, lt=0.5)
    prior_mean: SignedFraction | None = Field(default=None, ge=-10, le=10)
    prior_standard_deviation: Fraction | None = Field(default=None, gt=0, le=100)
    greatest_consumer_risk: Fraction | None = Field(default=None, gt=0, lt=0.5)
    verdicts: Literal["two", "four"] = "two"
    least_test_uncertainty_ratio: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _belong_together(self) -> Decision:
        owners = {
            "guard_factor": "guarded",
            "false_accept_probability": "false_accept",
            "prior_mean": "shared_risk",
            "prior_standard_deviation": "shared_risk",
            "greatest_consumer_risk": "shared_risk",
        }
        for key, rule in owners.items():
            if key in self.model_fields_set and self.rule != rule:
                raise ValueError(f'found {key} with rule = "{self.rule}", expected it with rule = "{rule}" only')
        needed = {"false_accept": "false_accept_probability", "shared_risk": "prior_standard_deviation"}.get(self.rule)
        if needed is not None and getattr(self, needed) is None:
            raise ValueError(f'found rule = "{self.rule}" without {needed}, expected both')
        unguarded = self.rule == "simple" or (self.rule == "shared_risk" and self.greatest_consumer_risk is None)
        if self.verdicts == "four" and (unguarded or self.guard_factor == 0):
            raise ValueError(
                f'found verdicts = "four" with rule = "{self.rule}" and no guard band, expected a rule that makes one'
            )
        return self


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
    instruments: dict[str, InstrumentEntry]
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
        reference = self.instruments[self.roles.reference]
        if not reference.ranges:
            raise ValueError(
                f"found no ranges for instruments.{self.roles.reference}, expected the reference's accuracy per range"
            )
        if reference.calibration is None:
            raise ValueError(
                f"found no calibration for instruments.{self.roles.reference}, expected its certificate and due date"
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

    def player(self, role: Role) -> str:
        """The name of the instrument playing `role`."""
        name: str = getattr(self.roles, role)
        return name

    def entry(self, role: Role) -> InstrumentEntry:
        """The instrument playing `role`."""
        return self.instruments[self.player(role)]
