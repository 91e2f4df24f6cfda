"""Runs that differ in nothing but the seed of their simulated bench, for campaigns of thousands.

One run goes through the protocols and is followed. What it did and when it read is the course of all the others, whose readings are
found along it all at once. A seed that would have settled sooner or later, or would have been held below another maximum
test current, has a course of its own and is run through the protocols too. What a runner takes again because a reading is not
plausible is not looked for: simulated instruments without faulty links give no such reading.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.core.arrays import Array, Flags
from harness.core.errors import UserError
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.current_limits.maximum_test_current import maximum_test_current
from harness.files.bench import Bench
from harness.files.device import Device
from harness.preparation.rehearsal import run_on_twin
from harness.preparation.run_files import RunInputs
from harness.preparation.twin import describe
from harness.record.history import observed_points, observed_ranges
from harness.record.journal import Record
from harness.record.observations import ObservedPoint, ObservedRange, ReadingPair
from harness.run.reference_rules import largest_difference
from harness.run.settling import TOLERANCE, needed
from instruments.numbers import parse_number
from instruments.profile import Profile, load_profile
from instruments.register_numbers import decode_registers
from simulated.description import BenchDescription
from simulated.many_benches import FollowedBench, of_many_benches
from simulated.physics.virtual_clock import VirtualClock
from simulated.transports.modbus import encoded

AT_A_TIME = 100
"""Seeds whose arrays are in memory together."""
ROUNDED = 2e-6
"""Seconds to which the times in a record are rounded, and a little more."""


@dataclass(frozen=True)
class Settling:
    """The rows of readings that could have shown that a current had settled, of which the last did, and how far apart any two of one may be."""

    rows: tuple[slice, ...]
    floor: float


Drawn = Callable[[BenchDescription, int], BenchDescription]


def of_seed(description: BenchDescription, seed: int) -> BenchDescription:
    """The bench of `seed`, otherwise as described."""
    return replace(description, seed=seed)


@dataclass(frozen=True)
class SeededRuns:
    """The followed run: its points and ranges, and of every pair the places of both readings on its course."""

    inputs: RunInputs
    bench: FollowedBench
    template: tuple[ObservedPoint, ...]
    ranges: tuple[ObservedRange, ...]
    places: tuple[tuple[int, int], ...]
    settlings: tuple[Settling, ...]
    received: Callable[[float], float]
    """The value of a display as it comes out of the meter's registers."""
    drawn: Drawn = of_seed
    """The bench of a seed, by the description of the followed one; it may have another reference path and use more of its claims."""

    def points(self, seeds: Iterable[int]) -> Iterator[tuple[ObservedPoint, ...]]:
        """The points of the run of each of `seeds`."""
        rest = iter(seeds)
        while batch := list(itertools.islice(rest, AT_A_TIME)):
            described = [self.drawn(self.bench.description, seed) for seed in batch]
            references, displays = of_many_benches(self.bench, described)
            same = self._settles_alike(references)
            for row, seed in enumerate(batch):
                along = self._read(references[row], displays[row]) if same[row] else None
                yield along if along is not None and self._held_alike(along) else self.through_protocols(seed)

    def through_protocols(self, seed: int) -> tuple[ObservedPoint, ...]:
        """The points of the run of `seed`, the plain way."""
        return tuple(observed_points(_followed(self.inputs, self.drawn(self.bench.description, seed))[1]))

    def _read(self, references: Array, displays: Array) -> tuple[ObservedPoint, ...]:
        pairs, found = iter(self.places), []
        for point in self.template:
            read = []
            for taken in point.pairs:
                of_reference, of_display = next(pairs)
                reference, displayed = parse_number(f"{references[of_reference]:+.8E}"), displays[of_display]
                read.append(
                    ReadingPair(
                        reference, self.received(float(displayed)), taken.reference_times, taken.displayed_times
                    )
                )
            found.append(replace(point, pairs=tuple(read)))
        return tuple(found)

    def _settles_alike(self, references: Array) -> Flags:
        """Which seeds (rows) settle after as many readings as the followed one."""
        alike: Flags = np.all(np.isfinite(references), axis=1)
        for settling in self.settlings:
            steady = [_steady(references[:, row], settling.floor) for row in settling.rows]
            alike &= steady[-1] & ~np.any(steady[:-1], axis=0)
        return alike

    def _held_alike(self, points: Sequence[ObservedPoint]) -> bool:
        """Whether no range would have been held below another maximum test current."""
        device, bench = self.inputs.device, self.inputs.bench
        for known in self.ranges:
            rng = device.range_named(known.name)
            read = [p for p in points if p.range == rng.name and p.direction != "zero"]
            turns = [_turns(device, bench, p) for p in read] or [0.0]
            # The most turns come up to the input's rating first, the least are first taken for another range.
            held = (maximum_test_current(device, bench, rng, seen).current for seen in (max(turns), min(turns)))
            if max(turns) <= 0 or min(held) != known.maximum_test_current:
                return False
        return True


def seeded_runs(inputs: RunInputs, faults: Sequence[str] = (), share_of_claim: float | None = None) -> SeededRuns:
    """Follow one run of `inputs` on a bench with `faults`, which uses up `share_of_claim` of its claims (without it as always).

    Raises UserError where it was not completed, or other seeds cannot follow it.
    """
    description = describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, faults)
    if share_of_claim is not None:
        description = replace(description, share_of_claim=share_of_claim)
    bench, record = _followed(inputs, description)
    ranges, template = tuple(observed_ranges(record)), tuple(observed_points(record))
    pairs = [pair for point in template for pair in point.pairs]
    ended = [r.at for r in bench.references]
    looked = [d.at for d in bench.displays]
    places = tuple((_last(ended, p.reference_times[1]), _last(looked, p.displayed_times[1])) for p in pairs)
    name = inputs.bench.roles.meter
    profile = load_profile(inputs.bench.instruments[name].profile, inputs.folders)
    runs = SeededRuns(
        inputs, bench, template, ranges, places, tuple(_settlings(inputs, bench, record)), _as_received(profile)
    )
    try:
        along = runs._read(*(readings[0] for readings in of_many_benches(bench, [description])))
    except ValueError as problem:
        raise UserError(f"no seed can follow another: {problem}") from None
    if along != template or any(record.of_kind("ceiling", "skip")):
        raise UserError("no seed can follow another: the course of the run depends on more than its times")
    return runs


def _followed(inputs: RunInputs, description: BenchDescription) -> tuple[FollowedBench, Record]:
    bench = FollowedBench(description, VirtualClock())
    return bench, run_on_twin(inputs, bench, StopSignal(), Progress())


def _settlings(inputs: RunInputs, bench: FollowedBench, record: Record) -> Iterator[Settling]:
    ended = [r.at for r in bench.references]
    for line in record.of_kind("settled"):
        last = _last(ended, line["elapsed"])
        scale = inputs.bench.reference_range(bench.references[last].scale.full_scale)
        first = last + 1 - line["readings"]
        began = [r.began for r in bench.references[first : last + 1]]
        counts = [(end, needed(began[:end])) for end in range(1, len(began) + 1)]
        rows = tuple(slice(first + end - count, first + end) for end, count in counts if count <= end)
        yield Settling(rows, largest_difference(scale))


def _steady(read: Array, floor: float) -> Flags:
    """Which benches' readings in a row (benches, n) agree."""
    agree: Flags = np.ptp(read, axis=1) <= TOLERANCE * np.abs(read.mean(axis=1)) + floor
    return agree


def _last(times: Sequence[float], by: float) -> int:
    """The place of the last of `times` that is not after `by`."""
    return bisect.bisect_right(times, by + ROUNDED) - 1


def _turns(device: Device, bench: Bench, point: ObservedPoint) -> float:
    rng = device.range_named(point.range)
    shown = sum(p.displayed for p in point.pairs) * rng.display_factor
    return shown / (sum(p.reference for p in point.pairs) * bench.reference_path.factor) * rng.primary_turns


def _as_received(profile: Profile) -> Callable[[float], float]:
    """What a displayed value becomes on its way through a protocol: a reply in text, or registers."""
    if profile.kind != "modbus":
        return lambda value: parse_number(f"{value:+.8E}")
    register = profile.registers["current"]
    layout = register.type, register.word_order, register.byte_order
    return lambda value: decode_registers(encoded(register, value), *layout) * register.scale
