"""The finished points of a run as recorded: the input of an evaluation."""

from __future__ import annotations

import itertools
from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple, overload

NOTHING: Mapping[str, float] = MappingProxyType({})
"""What was read with a pair of which nothing else was."""


class ReadingPair(NamedTuple):
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
    also: Mapping[str, float] = NOTHING


class PackedPairs(Sequence[ReadingPair]):
    """Pairs in 48 bytes each, and 8 for every value of `also`, which all must have the same names."""

    def __init__(self, pairs: Sequence[ReadingPair]) -> None:
        self._also = tuple(pairs[0].also)
        self._values = array("d")
        for reference, displayed, read, shown, also in pairs:
            self._values.extend((reference, displayed, *read, *shown, *(also[name] for name in self._also)))

    @property
    def _width(self) -> int:
        return 6 + len(self._also)

    def __len__(self) -> int:
        return len(self._values) // self._width

    @overload
    def __getitem__(self, place: int) -> ReadingPair: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[ReadingPair, ...]: ...
    def __getitem__(self, place: int | slice) -> ReadingPair | tuple[ReadingPair, ...]:
        if isinstance(place, slice):
            return tuple(self)[place]
        first = range(0, len(self._values), self._width)[place]
        return self._pair(*self._values[first : first + self._width])

    def __iter__(self) -> Iterator[ReadingPair]:
        values = iter(self._values)
        return itertools.starmap(self._pair, zip(*[values] * self._width, strict=True))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def _pair(self, *values: float) -> ReadingPair:
        also = dict(zip(self._also, values[6:], strict=True)) if self._also else NOTHING
        return ReadingPair(values[0], values[1], (values[2], values[3]), (values[4], values[5]), also)


def packed(pairs: Sequence[ReadingPair]) -> Sequence[ReadingPair]:
    """The same `pairs` in little memory, where all have the same values beside them."""
    if not pairs or any(pair.also.keys() != pairs[0].also.keys() for pair in pairs):
        return tuple(pairs)
    return PackedPairs(pairs)


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
    pairs: Sequence[ReadingPair]
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
    """One range of a run: its maximum test current in amperes, the part that set it (`set_by`), and the points left out.

    `skipped` are points for ratio errors, `skipped_beyond` those of a search or of the bench's check, `skipped_waveforms` those of a load that is no sine.
    """

    name: str
    maximum_test_current: float
    set_by: str
    skipped: tuple[str, ...] = ()
    skipped_beyond: tuple[str, ...] = ()
    skipped_waveforms: tuple[str, ...] = ()
