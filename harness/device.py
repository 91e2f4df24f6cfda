"""The device file: the modified meter, its transformer, ranges, path ratings and the claim to verify.

What contradicts itself in a file each of whose keys can be read is told all at once, each with its key.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from harness.accuracy_classes import PHASE_MINUTES, lowest_current
from harness.power_classes import PowerClass
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
SLOWEST_REFRESH = 60.0
"""Seconds between two displayed values beyond which a display is not read but waited for."""


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
        _refuse_contradictions(self)
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


class Contradictions(ValueError):
    """Several problems of one file: pairs of key (empty for the whole file) and text."""

    def __init__(self, problems: Sequence[tuple[str, str]]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(text for _, text in self.problems))


def _refuse_contradictions(device: Device) -> None:
    """Raise `Contradictions` with all there are in `device`."""
    found = [
        *(("display", text) for text in _of_display(device.display)),
        *(("path", text) for text in _of_path(device.path)),
        *(("claim", text) for text in _of_claim(device.claim, device.display)),
        *(("", text) for text in _of_ranges(device.ranges)),
    ]
    for number, rng in enumerate(device.ranges, 1):
        found += [(f"ranges[{number}]", text) for text in _of_range(rng, device.claim)]
    if found:
        raise Contradictions(found)


def _of_display(display: Display) -> Iterator[str]:
    if display.refresh_interval > SLOWEST_REFRESH:
        yield f"found a refresh_interval of {display.refresh_interval:g} s, expected at most {SLOWEST_REFRESH:g} s"


def _of_path(path: Path) -> Iterator[str]:
    if path.fuse_type is not None and path.fuse is None:
        yield "found fuse_type and no fuse, expected its rating too"
    if path.secondary_clamp_voltage is not None and path.secondary_clamp in (None, "none"):
        yield "found secondary_clamp_voltage and no secondary_clamp, expected where it sits too"


def _of_claim(claim: Claim, display: Display) -> Iterator[str]:
    terms = claim.of_reading or claim.of_range or claim.counts
    if claim.accuracy_class is None and not terms:
        yield "found no claim, expected of_reading, of_range, counts or accuracy_class"
    if claim.accuracy_class is not None and terms:
        yield "found a class and other terms, expected either accuracy_class or of_reading/of_range/counts"
    if claim.power_class is not None and (claim.power_of_reading or claim.power_counts):
        yield "found power_class and other terms of power, expected either power_class or power_of_reading/power_counts"
    if claim.power_counts and display.power_resolution is None:
        yield "found power_counts but no display.power_resolution, expected the step of power displayed"
    if claim.accuracy_class in PHASE_MINUTES and claim.phase_displacement is not None:
        yield f"found phase_displacement and accuracy_class {claim.accuracy_class}, which claims one itself, expected one of them"
    if claim.phase_displacement == 0:
        yield "found a phase_displacement of 0, expected an angle above it"


def _of_ranges(ranges: Sequence[Range]) -> Iterator[str]:
    names, turns = [r.name for r in ranges], [r.primary_turns for r in ranges]
    if len(set(names)) != len(names):
        yield f"found range names {names}, expected every name once"
    if turns != sorted(set(turns)):
        yield f"found ranges with turns {turns}, expected them in rising order of primary_turns"
    if ranges[0].wiring != "independent":
        yield "found the first range wired in series, expected independent (it has no range before it)"


def _of_range(rng: Range, claim: Claim) -> Iterator[str]:
    """A class claims nothing below its lowest tabulated current, so a range must not reach below it either."""
    if rng.minimum_current >= rng.maximum_current:
        yield "found minimum_current not below maximum_current, expected a span"
    elif claim.accuracy_class is not None:
        lowest = lowest_current(claim.accuracy_class)
        if rng.minimum_current < lowest * rng.maximum_current * (1 - 1e-9):
            yield (
                f"found range {rng.name} with minimum_current {rng.minimum_current:g} A and accuracy_class "
                f"{claim.accuracy_class}, which claims nothing below {lowest * 100:g} % of the range's maximum, "
                f"expected at least {lowest * rng.maximum_current:g} A"
            )
