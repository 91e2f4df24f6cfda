"""Whether anything was found beyond a claim, or only not shown to be within."""

from __future__ import annotations

from collections.abc import Iterator

from harness.results.run_results import RangeResult, Results

STEPS_OF_ENERGY = 1.5
"""Counting may have begun just before a step of the register: one step alone is not yet creep (IEC 62053-21:2003, 8.3.2,
at most one pulse; value from memory)."""


def does_not_meet(results: Results) -> bool:
    """Whether a value was found beyond its limit, another number of turns than described, or a smallest current above the claimed."""
    return any(found for rng in results.ranges for found in _beyond(rng))


def _beyond(rng: RangeResult) -> Iterator[bool]:
    turns, smallest, rest, held = rng.effective_turns, rng.smallest, rng.no_load, rng.endurance
    yield turns is not None and turns.nearest != rng.expected_turns
    judged = [*rng.judged, rest.power if rest is not None else None, held.drift if held is not None else None]
    yield from (found is not None and found.verdict == "fail" and found.beyond for found in judged)
    yield from (p.indicated_power * p.reference_power < 0 for p in rng.power)
    yield smallest is not None and smallest.verdict == "fail" and (smallest.highest_silent or 0.0) >= smallest.limit
    if rest is not None:
        counted, step = rest.energy, rest.energy_resolution
        yield counted is not None and step is not None and abs(counted) > STEPS_OF_ENERGY * step
