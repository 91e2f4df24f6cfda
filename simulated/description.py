"""Description of the bench that a simulated one stands in for: plain numbers, no files.

The command line fills these from the user's device and bench files. Currents in amperes, voltages in volts,
powers in watts, energies in joules, resistances in ohms, angles in radians; a negative power factor is a leading current.
"""

from dataclasses import dataclass, field
from typing import Literal

from instruments.profile import Profile
from instruments.waveform_names import SINE, Waveform

Response = Literal["true rms", "average"]
"""What an instrument responds to: the effective value, or the rectified mean, shown as the effective value of a sine that has it."""


@dataclass(frozen=True)
class RangeDescription:
    """One switch position as its owner describes it (the paperwork, not the truth)."""

    name: str
    primary_turns: int
    wiring: Literal["independent", "series"]
    display_factor: float
    minimum_current: float
    maximum_current: float


@dataclass(frozen=True)
class MeterDescription:
    """The modified meter. `ranges` in rising order of turns; resolutions and threshold as displayed, `default_power_factor` without current.

    `largest_secondary_peak` in amperes and `bandwidth` in hertz are those of its input, None where they play no part.
    """

    serial: str
    secondary_turns: int
    rated_secondary_current: float
    maximum_secondary_current: float
    secondary_fuse: float | None
    burden: float
    winding_resistance: float
    frequency: float
    resolution: float
    smallest_readable_current: float
    refresh_interval: float
    ranges: tuple[RangeDescription, ...]
    power_resolution: float | None = None
    power_factor_resolution: float | None = None
    default_power_factor: float = 1.0
    energy_resolution: float | None = None
    largest_secondary_peak: float | None = None
    bandwidth: float | None = None
    response: Response = "true rms"


@dataclass(frozen=True)
class ScaleDescription:
    """One range of a multimeter and the bounds of its error.

    `crest_factor` is the largest it follows at full scale, `bandwidth` in hertz; None where they play no part.
    """

    full_scale: float
    of_reading: float
    of_range: float
    resolution: float
    response: Response = "true rms"
    bandwidth: float | None = None
    crest_factor: float | None = None


@dataclass(frozen=True)
class VoltageDescription:
    """Accuracy of an instrument's voltage: the bounds of its error."""

    of_reading: float
    resolution: float


@dataclass(frozen=True)
class PowerDescription:
    """Accuracy of an instrument's active power: the bounds of its gain error and of the angle between its channels."""

    of_reading: float
    phase: float
    resolution: float


@dataclass(frozen=True)
class ShelfDescription:
    """A load a person can plug in: about what it draws, its power factor, which it keeps to `uncertainty` (k = 2), and its waveform."""

    current: float
    power_factor: float = 1.0
    uncertainty: float = 0.0
    waveform: Waveform = SINE


@dataclass(frozen=True)
class CheckStandardDescription:
    """The check standard's reading per ampere of the circuit; relative uncertainty (k = 2) and scatter from day to day.

    With `established_at` amperes it is per ampere that the bench's own reference reads there, lasting errors included.
    """

    ratio: float
    uncertainty: float
    standard_deviation: float = 0.0
    established_at: float | None = None


BenchPart = Literal["load", "reference", "meter", "switch", "environment", "secondary", "voltage", "check_standard"]
"""Functions of instruments on the bench."""


@dataclass(frozen=True)
class InstrumentDescription:
    """One instrument to stand in for. `profile` is None when a person reads or moves it.

    `burden` is what it adds to the secondary loop; `power_factor_uncertainty` (k = 2) how well a load keeps its power factor.
    """

    name: str
    role: BenchPart
    profile: Profile | None
    address: str
    serial: str
    unit_id: int = 1
    baud_rate: int = 19200
    scales: tuple[ScaleDescription, ...] = ()
    positions: dict[str, str] = field(default_factory=dict)
    maximum_current: float | None = None
    voltage: VoltageDescription | None = None
    power: PowerDescription | None = None
    power_factor_uncertainty: float = 0.0
    burden: float = 0.0
    shelf: tuple[ShelfDescription, ...] = ()


@dataclass(frozen=True)
class KnownAt:
    """Calibration of the part before the reference at one current through it (relative, or rad).

    `uncertainty` is expanded (k = 2); where `bound` is not zero the truth is anywhere within it instead.
    """

    current: float
    value: float
    uncertainty: float = 0.0
    bound: float = 0.0


@dataclass(frozen=True)
class ReferencePathDescription:
    """Description of the part before the reference: ratio errors and phase displacements (positive when its output leads).

    `off` and `slope` are beyond all that is stated: an error at every current, and one in every decade below the largest.
    `in_volts`: the reference reads a voltage.
    """

    ratio_errors: tuple[KnownAt, ...] = ()
    phase_displacements: tuple[KnownAt, ...] = ()
    loops: int = 1
    in_volts: bool = False
    off: float = 0.0
    slope: float = 0.0


@dataclass(frozen=True)
class BenchDescription:
    """The whole bench. `reference_factor`: primary amperes per unit of the reference's reading.

    `share_of_claim` is the part of the claimed accuracy that the simulated instruments use up: bounds are drawn
    from evenly, up to this share, and expanded uncertainties (k = 2) normally, their standard deviation this share of the
    claimed one. A study of coverage takes 1. `day` numbers the days between which a check standard scatters.
    """

    meter: MeterDescription
    instruments: tuple[InstrumentDescription, ...]
    reference_factor: float
    seed: int
    faults: tuple[str, ...] = ()
    reference_path: ReferencePathDescription = ReferencePathDescription()
    check_standard: CheckStandardDescription | None = None
    share_of_claim: float = 0.6
    day: int = 0
