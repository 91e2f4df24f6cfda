"""What a simulated bench is told about the bench it stands in for: plain numbers, no files.

The command line fills these from the user's device and bench files. Currents in amperes, resistances in ohms.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from instruments.profile import Profile


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
    """The modified meter. `ranges` in rising order of turns; resolution and threshold in displayed amperes."""

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


@dataclass(frozen=True)
class ScaleDescription:
    """One range of the reference multimeter and the bounds of its error."""

    full_scale: float
    of_reading: float
    of_range: float
    resolution: float


@dataclass(frozen=True)
class InstrumentDescription:
    """One instrument to stand in for. `profile` is None when a person reads or moves it."""

    name: str
    role: Literal["load", "reference", "meter", "switch", "environment"]
    profile: Profile | None
    address: str
    serial: str
    unit_id: int = 1
    baud_rate: int = 19200
    scales: tuple[ScaleDescription, ...] = ()
    positions: dict[str, str] = field(default_factory=dict)
    maximum_current: float | None = None


@dataclass(frozen=True)
class BenchDescription:
    """The whole bench. `reference_factor`: primary amperes per unit of the reference's reading."""

    meter: MeterDescription
    instruments: tuple[InstrumentDescription, ...]
    reference_factor: float
    seed: int
    faults: tuple[str, ...] = ()
