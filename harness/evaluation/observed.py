"""What an evaluation starts from: the finished points of a run, as the record holds them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Pair:
    """One reference reading and one displayed value taken together.

    `reference` in the reference's own unit (primary amperes = reference x reference_path.factor), `displayed` in
    the device's own amperes; times in seconds since the start of the run, start and end of each reading.
    """

    reference: float
    displayed: float
    reference_times: tuple[float, float]
    displayed_times: tuple[float, float]


@dataclass(frozen=True)
class ObservedPoint:
    """One finished point. `nominal_current` is what was applied (0 for zero points), in primary amperes.

    `reference_scale` is the full scale of the reference's range, in the reference's own unit.
    """

    range: str
    name: str
    direction: str
    nominal_current: float
    reference_scale: float
    pairs: tuple[Pair, ...]


@dataclass(frozen=True)
class ObservedRange:
    """What the runner knows of one range beside its points: the ceiling in amperes, the part that set it, points left out."""

    name: str
    ceiling: float
    ceiling_set_by: str
    skipped: tuple[str, ...] = ()
