"""The words a procedure is written in. A procedure imports this module and nothing else of ours.

A procedure is a generator: it yields steps, and an `Observe` step gives the finished point back. It does no I/O, so
the same text is listed, checked against limits, rehearsed, run, and resumed from a record.
"""

from __future__ import annotations

import hashlib
import inspect
import itertools
import math
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from harness.claims.limits_of_error import currents_of_class as currents_of_class
from harness.class_tables.accuracy_classes import TOLERANCE
from harness.core.quantities import signed_text as signed_text
from harness.files.device import Device as Device
from harness.files.device import Range as Range

Direction = Literal["zero", "up", "down", "single", "hold", "search", "waveform", "check"]
DIRECTIONS: tuple[Direction, ...] = ("zero", "up", "down", "single", "hold", "search", "waveform", "check")
"""How the current came to where it is, or what a point is for: `hold` while it is kept, `search` for where the display
begins to read, `waveform` of a load that is no sine, to be compared with one that is, `check` of the bench by its check standard instead of
the device."""

NEAR = 0.1
"""Currents nearer than this part of a ladder's step tell the same: 8 % apart at three points per decade. A judgement."""

NEARLY_EQUAL = 1.25
"""Largest ratio of two effective currents at which waveforms are compared: a tenth of a decade, over which a meter's curve does little. A judgement."""


@dataclass(frozen=True)
class Select:
    """Bring the device to `range`; the runner takes the load off first."""

    range: Range


@dataclass(frozen=True)
class Apply:
    """Bring the primary current to `current` amperes and wait until it has settled.

    `power_factor` is negative when the current leads; None leaves it as it is.
    """

    current: float
    power_factor: float | None = None


@dataclass(frozen=True)
class Observe:
    """Read reference and device together `count` times. `point` names it once in a procedure.

    With `power`, power and what belongs to it is read beside the currents, as far as the instruments show it.
    """

    point: str
    count: int
    direction: Direction
    power: bool = False


@dataclass(frozen=True)
class Release:
    """Take the load off and have it confirmed."""


@dataclass(frozen=True)
class Wait:
    """Let `seconds` pass with everything as it is."""

    seconds: float


Step = Select | Apply | Observe | Release | Wait


@dataclass(frozen=True)
class PointReading:
    """What an `Observe` gives back: means over its pairs, in amperes. `skipped` says why a point was not taken.

    `reading` is how many of the displayed values were not zero.
    """

    point: str
    reference_current: float
    indicated_current: float
    count: int
    skipped: str = ""
    reading: int = 0


Steps = Generator[Step, PointReading | None, None]


@dataclass(frozen=True)
class Options:
    """What the operator may choose: pairs per point, points per decade of current, seconds a current is held.

    The rest is filled in from the bench: `available` holds the currents in amperes the load can be, rising, empty for a
    load that can be set to any, `longest_on` the seconds each of them can be read for at a time; `power_factors` what it can be set to; `known_loads` those of
    `available` that a power can be computed from, where the reference reads none; `check_current` the check standard's current; `least_current`
    the smallest the load can be set to; `crest_factors` those of the `available` loads whose waveform can be compared, sines included (`sines`).
    """

    readings: int = 4
    per_decade: int = 3
    hold: float = 600.0
    available: tuple[float, ...] = ()
    longest_on: Mapping[float, float] = field(default_factory=dict)
    power_factors: tuple[float, ...] = ()
    known_loads: tuple[float, ...] = ()
    check_current: float | None = None
    least_current: float = 0.0
    sines: tuple[float, ...] = ()
    crest_factors: Mapping[float, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Procedure:
    """A procedure with what the record and the certificate say of it."""

    name: str
    title: str
    revision: str
    steps: Callable[[Device, Options], Steps] = field(compare=False)

    @property
    def description(self) -> str:
        """The first paragraph of the procedure's docstring, on one line."""
        return " ".join((inspect.getdoc(self.steps) or "").split("\n\n")[0].split())

    @property
    def text(self) -> str:
        """The text of the procedure's file."""
        file = inspect.getsourcefile(self.steps)
        return Path(file).read_text(encoding="utf-8") if file is not None else inspect.getsource(self.steps)

    @property
    def text_hash(self) -> str:
        """SHA-256 of the text of the procedure's file: a resumed run must be run by the same text."""
        file = inspect.getsourcefile(self.steps)
        text = Path(file).read_bytes() if file is not None else inspect.getsource(self.steps).encode()
        return hashlib.sha256(text).hexdigest()


def words_hash() -> str:
    """SHA-256 of this module's text: the same procedure gives the same steps only by the same words."""
    return hashlib.sha256(Path(__file__).read_bytes()).hexdigest()


def procedure(title: str, revision: str) -> Callable[[Callable[[Device, Options], Steps]], Procedure]:
    """Turn a generator function into a `Procedure` named after it."""

    def wrap(function: Callable[[Device, Options], Steps]) -> Procedure:
        return Procedure(name=function.__name__, title=title, revision=revision, steps=function)

    return wrap


def ladder(
    rng: Range,
    per_decade: int,
    available: Sequence[float] = (),
    asked_for: Sequence[float] = (),
    compared: Sequence[Range] = (),
) -> list[float]:
    """Currents in amperes from the smallest to the largest the range claims, evenly spaced in ratio, both ends included.

    At least `per_decade` points fall in every decade. Ranges `compared` with this one share one grid of ampere-turns, in which the ends of
    each are points too (two as near as `NEAR` are one). A current `asked_for` inside the range is one of the points, and takes the
    place of one as near as `NEAR`, the ends excepted. With `available` currents, each of those points becomes the
    nearest (in ratio) of them that the range claims, every one once; the list is empty when there is none.
    Raises ValueError when `per_decade` is below 1.
    """
    if available:
        claimed = [c for c in available if rng.minimum_current <= c <= rng.maximum_current]
        wanted = ladder(rng, per_decade, asked_for=asked_for, compared=compared) if claimed else []
        return sorted({min(claimed, key=lambda c: abs(math.log(c / current))) for current in wanted})
    if per_decade < 1:
        raise ValueError(f"per_decade is {per_decade}, expected at least 1")
    low, high = rng.minimum_current, rng.maximum_current
    grid = [ampere_turns / rng.primary_turns for ampere_turns in _grid((rng, *compared), per_decade)]
    near = math.exp(NEAR * _step(low, high, per_decade))
    even = [c for c in (float(f"{current:.3g}") for current in grid) if low * near < c < high / near]
    # So little beside an end is judged as the end.
    inside = {c for c in asked_for if low * (1 + TOLERANCE) < c < high * (1 - TOLERANCE)}
    kept = {c for c in even if all(abs(math.log(c / other)) > math.log(near) for other in inside)}
    return [low, *sorted(kept | inside), high]


def _step(low: float, high: float, per_decade: int) -> float:
    """Logarithm of the ratio of neighbouring points when `low` to `high` is divided evenly."""
    return math.log(high / low) / max(1, math.ceil(math.log10(high / low) * per_decade - 1e-9))


def _grid(ranges: Sequence[Range], per_decade: int) -> Iterator[float]:
    """Ampere-turns that `ranges` have in common: the ends of each, and as many evenly between as `per_decade` asks for."""
    ends = sorted(r.primary_turns * c for r in ranges for c in (r.minimum_current, r.maximum_current))
    marks = ends[:1]
    for end in ends[1:]:
        if math.log(end / marks[-1]) > NEAR * math.log(10) / per_decade:
            marks.append(end)
    for low, high in itertools.pairwise(marks):
        yield low
        step = _step(low, high, per_decade)
        yield from (low * math.exp(i * step) for i in range(1, round(math.log(high / low) / step)))
    yield marks[-1]


def common_current(ranges: Sequence[Range], available: Sequence[float] = ()) -> float:
    """The largest current in amperes that every range claims to stand; with `available` currents, the largest of those."""
    largest = min(rng.maximum_current for rng in ranges)
    return max((c for c in available if c <= largest), default=largest)


def both_ways(currents: Iterable[float]) -> Iterator[tuple[Direction, float]]:
    """The currents upward, then downward again without repeating the top."""
    rising = list(currents)
    for current in rising:
        yield "up", current
    for current in reversed(rising[:-1]):
        yield "down", current
