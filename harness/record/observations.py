"""The finished points of a run as recorded: the input of an evaluation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class ReadingPair:
    """One reference reading and one displayed value taken together.

    `reference` in the reference's own unit (primary amperes = reference x reference_path.factor), `displayed` in
    the device's own amperes; times in seconds since the start of the run, start and end of each reading. `also` holds
    what else was read with them, in SI units of the instrument that read it: `reference_voltage`, `reference_power`,
    `displayed_power`, `displayed_power_factor`, `displayed_energy`, `secondary_current`.
    """

    reference: float
    displayed: float
    reference_times: tuple[float, float]
    displayed_times: tuple[float, float]
    also: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class ObservedPoint:
    """One finished point. `nominal_current` is what was applied (0 for zero points), in primary amperes.

    `reference_scale` is the full scale of the reference's range, in the reference's own unit; `power_factor` what the load
    was asked for, negative when leading, None when nothing was asked. `power_asked`: power was to be read too. `part` counts
    how often the run had been interrupted before.
    """

    range: str
    name: str
    direction: str
    nominal_current: float
    reference_scale: float
    pairs: tuple[ReadingPair, ...]
    power_factor: float | None = None
    power_asked: bool = False
    part: int = 0

    def shows(self, name: str) -> bool:
        """Whether `name` was read with every pair, as in `ReadingPair.also`."""
        return bool(self.pairs) and all(name in p.also for p in self.pairs)

    def mean(self, name: str) -> float:
        """Mean of what was read as `name`. Raises KeyError where a pair has none."""
        return sum(p.also[name] for p in self.pairs) / len(self.pairs)


@dataclass(frozen=True)
class ObservedRange:
    """One range of a run: the maximum test current in amperes, the part that set it, and the points left out.

    `skipped` are points for ratio errors, `skipped_beyond` those of a search or of the bench's check.
    """

    name: str
    ceiling: float
    ceiling_set_by: str
    skipped: tuple[str, ...] = ()
    skipped_beyond: tuple[str, ...] = ()
