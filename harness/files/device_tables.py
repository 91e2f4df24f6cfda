"""The tables of a device file."""

from typing import Literal

from pydantic import Field

from harness.class_tables.power_classes import PowerClass
from harness.core.plausible_quantities import (
    Angle,
    Bandwidth,
    CrossSection,
    Current,
    Duration,
    Energy,
    Frequency,
    Inductance,
    JouleIntegral,
    Length,
    Power,
    RelativeError,
    Resistance,
    Voltage,
)
from instruments.toml_file import FileTable

PrimaryFuse = Literal["plug-top", "gG", "breaker", "F", "T"]
"""What protects a primary: the fuse of a plug (BS 1362), a general-purpose one (IEC 60269), a circuit-breaker (IEC 60898), a
miniature fuse-link (IEC 60127-2), quick-acting or time-lag."""


Table = FileTable


class Nameplate(Table):
    """Who made the meter, what it is, and whose it is; printed on the certificate."""

    maker: str
    """Manufacturer."""
    type: str
    """Type or model."""
    serial: str
    """Serial number."""
    owner: str = ""
    """Owner of the meter."""
    modified_by: str = ""
    """Who made the modification."""
    modification: str = ""
    """What was modified, in a sentence."""


class Transformer(Table):
    """The current transformer inside the meter, seen from its secondary.

    The magnetising impedance at `frequency` is 2 pi frequency `magnetising_inductance` in magnitude; its angle
    falls short of 90 degrees by `magnetising_loss_angle`.
    """

    secondary_turns: int = Field(gt=0, le=1_000_000)
    """Turns of the secondary winding: 2500 for a ratio of 1:2500."""
    rated_secondary_current: Current
    """Secondary current at the meter's original rated current."""
    maximum_secondary_current: Current
    """Largest secondary current that the meter's input withstands; never exceeded."""
    largest_secondary_peak: Current | None = None
    """Largest peak in the secondary that the meter's input follows; it clips above. Left out: not known."""
    largest_secondary_surge: Current | None = None
    """Largest peak in the secondary that the meter's input withstands for a moment, while a load is switched on. Left out: the peak of the sine
    of `maximum_secondary_current`.
    """
    knee_voltage: Voltage | None = None
    """Knee-point e.m.f. of the secondary at `frequency` (IEC 61869-2), an effective value: above it the core saturates."""
    burden: Resistance
    """Resistance across the secondary, without the fuse."""
    winding_resistance: Resistance | None = None
    """Resistance of the secondary winding."""
    frequency: Frequency = 50.0
    """Mains frequency at which the meter is verified."""
    magnetising_inductance: Inductance | None = None
    """Measured at the secondary with the primary open; `design` predicts the ratio error with it."""
    magnetising_loss_angle: Angle | None = Field(default=None, lt=1.5)
    """Loss angle of the magnetising impedance; 0 where it is left out."""
    window_diameter: Length | None = None
    """Diameter of the opening that all primary turns pass."""


class Display(Table):
    """What the meter displays, on its own (base) scale, before any display factor."""

    resolution: Current
    """One display step of current."""
    smallest_readable_current: Current
    """Below this displayed current, current and power read 0."""
    refresh_interval: Duration = 1.0
    """Time between two displayed values."""
    power_resolution: Power | None = None
    """One display step of power; leave it out where power is not displayed."""
    power_factor_resolution: float | None = Field(default=None, gt=0, lt=0.5)
    """One display step of power factor; leave it out where it is not displayed."""
    default_power_factor: float = Field(default=1.0, ge=0, le=1)
    """Displayed power factor when no current is read."""
    energy_resolution: Energy | None = None
    """One step of the energy register; leave it out where energy is not displayed."""
    response: Literal["true rms", "average"] | None = None
    """What the display of current responds to, where you know: the effective value, or the rectified mean."""
    bandwidth: Bandwidth | None = None
    """Frequency at which the response of its input has fallen by 3 dB, where you know."""


class Path(Table):
    """Ratings of the parts that the current of every range goes through, the secondary fuse, and how they are connected.

    What only some ranges use is stated with these. None = not stated.
    """

    switch: Current
    """Rated current of the contacts of the range switch."""
    conductor: Current
    """Current-carrying capacity of the conductor that every range uses."""
    fuse: Current | None = None
    """Rated current of a fuse or circuit-breaker in the primary, ahead of all ranges."""
    fuse_type: PrimaryFuse | None = None
    """Its kind: fuse of a plug (BS 1362), general-purpose (IEC 60269), circuit-breaker (IEC 60898), miniature
    fuse-link (IEC 60127-2), quick-acting or time-lag.
    """
    fuse_i2t: JouleIntegral | None = None
    """Its melting I2t, from its data sheet: what it withstands while a load is switched on follows from it."""
    supply_socket: Current | None = None
    """Rating of the socket or circuit that the bench is plugged into."""
    supply_voltage: Voltage | None = None
    """Nominal supply voltage."""
    secondary_fuse: Current | None = None
    """Rated current of a fuse in the secondary loop."""
    secondary_fuse_type: Literal["F", "T"] | None = None
    """Quick-acting (F) or time-lag (T), IEC 60127-2."""
    secondary_fuse_resistance: Resistance | None = None
    """Cold resistance of that fuse, measured with the fuse taken out."""
    secondary_fuse_i2t: JouleIntegral | None = None
    """Melting I2t of that fuse, from its data sheet."""
    secondary_clamp: Literal["across winding", "behind fuse", "none"] | None = None
    """Where a voltage limiter or shorting device across the secondary sits."""
    secondary_clamp_voltage: Voltage | None = None
    """Peak voltage it limits to."""
    supply_tapped: Literal["before sensor", "behind sensor"] | None = None
    """Where the meter's own supply is taken, seen from the mains: before or behind the current sensor."""
    switch_breaks: Literal["primary", "secondary"] | None = None
    """The circuit in which the range switch opens contacts. It must never be the secondary."""
    switch_voltage: Voltage | None = None
    """Rated voltage of the range switch, AC."""
    switch_contacts: Literal["break before make", "make before break"] | None = None
    """Whether the range switch opens one contact before it closes the next."""
    switch_approval: str | None = Field(default=None, min_length=1)
    """Standard marked on the range switch, or `none`."""
    cross_section: str = ""
    """Cross-sections of the conductors, in words; printed on the certificate."""


class Claim(Table):
    """What the meter is claimed to hold at every point. See [claims](../explanation/decision-rules.md)."""

    of_reading: RelativeError = 0.0
    """Permitted ratio error, as a part of the current."""
    of_range: RelativeError = 0.0
    """Added to it, as a part of the range's maximum current."""
    counts: float = Field(default=0.0, ge=0, le=1000)
    """Added to it, in display steps."""
    accuracy_class: Literal["0.1", "0.2", "0.5", "1", "0.2S", "0.5S", "3", "5"] | None = None
    """A class of IEC 61869-2 in place of these three, rated at each range's maximum current. Classes 0.1 to 1, 0.2S
    and 0.5S also claim a phase displacement.
    """
    phase_displacement: Angle | None = None
    """Permitted phase displacement, without a class."""
    power_of_reading: RelativeError = 0.0
    """Permitted power error, as a part of the power."""
    power_counts: float = Field(default=0.0, ge=0, le=1000)
    """Added to it, in display steps of power."""
    power_class: PowerClass | None = None
    """A class of an energy meter in place of these two; the rated current is each range's maximum."""
    waveform_influence: RelativeError | None = None
    """Permitted change of the ratio error where the current is no sine, against a sine of the same effective value."""


class Range(Table):
    """One switch position. Currents are those of the primary conductor. Write one `[[ranges]]` for each, fewest turns first."""

    name: str = Field(min_length=1)
    """Name of the switch position."""
    primary_turns: int = Field(gt=0, le=10_000)
    """All turns that carry current in this position."""
    wiring: Literal["independent", "series"] = "independent"
    """`series`: the turns of the range before it and a further section. `independent`: a winding of its own."""
    display_factor: float = Field(ge=1e-6, le=1e6)
    """Indicated current = displayed value times this factor."""
    minimum_current: Current
    """Smallest current claimed."""
    maximum_current: Current
    """Largest current claimed."""
    cross_section: CrossSection | None = None
    """Conductor cross-section of the turns this range adds."""
    wire_diameter: Length | None = None
    """Outer diameter of that wire, over its insulation."""
    turn_length: Length | None = None
    """Length of one of these turns."""
    conductor: Current | None = None
    """Lowest rating among the parts that only these turns use: conductor, terminals, a contact of their own. The ratings in
    `[path]` count beside it.
    """
    fuse: Current | None = None
    """Rated current of a fuse or circuit-breaker that only these turns use; one in `[path]` counts beside it."""
    fuse_type: PrimaryFuse | None = None
    """Its kind, as in `[path]`."""
    fuse_i2t: JouleIntegral | None = None
    """Its melting I2t, as in `[path]`."""
    bypasses_switch: bool = False
    """Whether the current of this range goes through no contact of the range switch. Only for a winding that shares no turn
    with another range, with `conductor` given, and `switch_breaks = "primary"` in `[path]`: contacts that were traced.
    """
