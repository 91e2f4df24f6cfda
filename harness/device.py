"""The device file: the modified meter, its transformer, ranges, path ratings and the claim to verify."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from harness.accuracy_classes import (
    limit_currents,
    phase_displacement_limit,
    ratio_error_limit,
)
from harness.contradictions import refuse_contradictions
from harness.power_classes import PowerClass, power_error_limit, power_limit_currents
from harness.quantities import (
    Angle,
    CrossSection,
    Current,
    Duration,
    Energy,
    Frequency,
    Inductance,
    Length,
    Power,
    RelativeError,
    Resistance,
    Voltage,
)

PrimaryFuse = Literal["plug-top", "gG", "breaker", "F", "T"]
"""What protects a primary: the fuse of a plug (BS 1362), a general-purpose one (IEC 60269), a circuit-breaker (IEC 60898), a
miniature fuse-link (IEC 60127-2), quick-acting or time-lag."""


class Table(BaseModel):
    """A table of a user's file: frozen; unknown keys and infinite numbers are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Identity(Table):
    """Who made the device, what it is, and whose it is."""

    maker: str
    type: str
    serial: str
    owner: str = ""
    modified_by: str = ""
    modification: str = ""


class Transformer(Table):
    """The current transformer inside the device, seen from its secondary.

    The magnetising impedance at `frequency` is 2 pi frequency `magnetising_inductance` in magnitude; its angle falls
    short of 90 degrees by `magnetising_loss_angle` (rad; None = not known, taken as 0). `window_diameter` (m) is that of the
    hole which all primary turns pass.
    """

    secondary_turns: int = Field(gt=0, le=1_000_000)
    rated_secondary_current: Current
    maximum_secondary_current: Current
    burden: Resistance
    winding_resistance: Resistance | None = None
    frequency: Frequency = 50.0
    magnetising_inductance: Inductance | None = None
    magnetising_loss_angle: Angle | None = Field(default=None, lt=1.5)
    window_diameter: Length | None = None


class Display(Table):
    """What the device shows, in amperes, watts and joules of its own (base) scale.

    A resolution of power, power factor or energy says that it is shown at all. `default_power_factor` is what stands
    there when no current is read.
    """

    resolution: Current
    smallest_readable_current: Current
    refresh_interval: Duration = 1.0
    power_resolution: Power | None = None
    power_factor_resolution: float | None = Field(default=None, gt=0, lt=0.5)
    default_power_factor: float = Field(default=1.0, ge=0, le=1)
    energy_resolution: Energy | None = None


class Path(Table):
    """Ratings of the parts the primary current flows through, the secondary fuse, and how they are connected.

    `supply_tapped` says whether the meter's own supply is taken before or behind the current sensor,
    `switch_breaks` in which circuit the range switch opens contacts, `switch_contacts` whether it opens one before it closes the
    next, `switch_approval` the standard it is approved to (or "none"). `secondary_clamp` is a voltage limiter or shorting device
    across the secondary and where it sits, `secondary_clamp_voltage` the peak volts it limits to. None = not said.
    """

    switch: Current
    conductor: Current
    fuse: Current | None = None
    fuse_type: PrimaryFuse | None = None
    supply_socket: Current | None = None
    supply_voltage: Voltage | None = None
    secondary_fuse: Current | None = None
    secondary_fuse_type: Literal["F", "T"] | None = None
    secondary_fuse_resistance: Resistance | None = None
    secondary_clamp: Literal["across winding", "behind fuse", "none"] | None = None
    secondary_clamp_voltage: Voltage | None = None
    supply_tapped: Literal["before sensor", "behind sensor"] | None = None
    switch_breaks: Literal["primary", "secondary"] | None = None
    switch_voltage: Voltage | None = None
    switch_contacts: Literal["break before make", "make before break"] | None = None
    switch_approval: str | None = Field(default=None, min_length=1)
    cross_section: str = ""


class Claim(Table):
    """What the device is claimed to hold at every point: |ratio error| at most this.

    `of_reading` is a fraction of the current, `of_range` a fraction of the range's maximum current, `counts`
    display steps; they add up. `accuracy_class` names a class of IEC 61869-2 instead, rated at the range's maximum; it
    claims a phase displacement too, where the standard does. `phase_displacement` in rad claims one without a class.
    Of power: `power_of_reading` and `power_counts` (display steps) add up, or `power_class` names a class of a meter.
    """

    of_reading: RelativeError = 0.0
    of_range: RelativeError = 0.0
    counts: float = Field(default=0.0, ge=0, le=1000)
    accuracy_class: Literal["0.1", "0.2", "0.5", "1", "0.2S", "0.5S", "3", "5"] | None = None
    phase_displacement: Angle | None = None
    power_of_reading: RelativeError = 0.0
    power_counts: float = Field(default=0.0, ge=0, le=1000)
    power_class: PowerClass | None = None


class Range(Table):
    """One switch position. Currents in amperes of the primary conductor.

    `primary_turns` counts all turns carrying current in this position. `series` means: the turns of the range
    before it plus a further section; `independent`: a winding of its own. The indicated current is the displayed
    value times `display_factor`. `cross_section` (m^2), `wire_diameter` (m, over the insulation) and `turn_length` (m, of one
    turn) are those of the turns this range adds.
    """

    name: str = Field(min_length=1)
    primary_turns: int = Field(gt=0, le=10_000)
    wiring: Literal["independent", "series"] = "independent"
    display_factor: float = Field(ge=1e-6, le=1e6)
    minimum_current: Current
    maximum_current: Current
    cross_section: CrossSection | None = None
    wire_diameter: Length | None = None
    turn_length: Length | None = None


class Device(Table):
    """The whole device file. `ranges` are kept least sensitive (fewest turns) first; the first is the base range."""

    identity: Identity
    transformer: Transformer
    display: Display
    path: Path
    claim: Claim
    ranges: tuple[Range, ...] = Field(min_length=1, max_length=40)

    @model_validator(mode="after")
    def _consistent(self) -> Device:
        # Here and not table by table, so that what is wrong in one does not hide what is wrong in the next.
        refuse_contradictions(self)
        return self

    def range_named(self, name: str) -> Range:
        """The range called `name`. Raises KeyError when there is none."""
        return (
            next(r for r in self.ranges if r.name == name)
            if any(r.name == name for r in self.ranges)
            else _missing(name)
        )


def _missing(name: str) -> Range:
    raise KeyError(name)


def limit_of_error(device: Device, rng: Range, current: float) -> float:
    """Largest ratio error (a fraction) the claim allows on `rng` at `current` amperes.

    Raises ValueError where an accuracy class makes no claim (`accuracy_classes.ratio_error_limit`).
    """
    claim = device.claim
    if claim.accuracy_class is not None:
        return ratio_error_limit(claim.accuracy_class, current / rng.maximum_current)
    step = device.display.resolution * rng.display_factor
    return claim.of_reading + (claim.of_range * rng.maximum_current + claim.counts * step) / current


END = 0.05
"""How far (relative) the current that flowed may miss an end of the claimed span, the load's own error included."""


def claimed_limit(device: Device, rng: Range, current: float) -> float | None:
    """Largest ratio error the claim allows on `rng` at a `current` that flowed, in amperes; None outside what is claimed.

    What misses an end of the span by less than `END` is judged as at the end.
    """
    low, high = rng.minimum_current, rng.maximum_current
    if not low * (1 - END) <= current <= high * (1 + END):
        return None
    return limit_of_error(device, rng, min(max(current, low), high))


def currents_of_class(device: Device, rng: Range, *, power: bool = False) -> list[float]:
    """Currents in amperes, rising, at which the class claimed on `rng` states its limits; none without a class.

    With `power` also those at which the limits of the power class change, at whatever power factor. They may lie outside
    what the range claims.
    """
    claim = device.claim
    parts = set(limit_currents(claim.accuracy_class) if claim.accuracy_class is not None else ())
    if power and claim.power_class is not None:
        parts.update(power_limit_currents(claim.power_class))
    return [part * rng.maximum_current for part in sorted(parts)]


def limit_at_no_current(device: Device, rng: Range) -> float:
    """Largest current in amperes that may be indicated on `rng` with none flowing: the terms that do not go with the reading.

    A claim that has none of them, in parts of the reading alone or by a class, says nothing of no current: the limit is then
    what it allows at the smallest current claimed, the least that would be visible in a reading.
    """
    claim = device.claim
    fixed = claim.of_range * rng.maximum_current + claim.counts * device.display.resolution * rng.display_factor
    return fixed or limit_of_error(device, rng, rng.minimum_current) * rng.minimum_current


def limit_of_power_error(
    device: Device, rng: Range, current: float, apparent_power: float, power_factor: float
) -> float | None:
    """Largest error of power (a fraction) the claim allows on `rng`; None where nothing is claimed.

    `current` in amperes, `apparent_power` in voltamperes, `power_factor` negative for a leading current.
    """
    claim = device.claim
    if claim.power_class is not None:
        return power_error_limit(claim.power_class, current / rng.maximum_current, power_factor)
    power = abs(apparent_power * power_factor)
    if not (claim.power_of_reading or claim.power_counts) or not power:
        return None
    step = (device.display.power_resolution or 0.0) * rng.display_factor
    return claim.power_of_reading + claim.power_counts * step / power


def limit_of_phase_displacement(device: Device, rng: Range, current: float) -> float | None:
    """Largest phase displacement, in rad, the claim allows on `rng` at `current` amperes; None where nothing is claimed."""
    claim = device.claim
    if claim.phase_displacement is not None or claim.accuracy_class is None:
        return claim.phase_displacement
    return phase_displacement_limit(claim.accuracy_class, current / rng.maximum_current)
