"""Whether anything was found beyond a claim, or only not shown to be within."""

from __future__ import annotations

from collections.abc import Iterator

from harness.results.run_results import RangeResult, Results

STEPS_OF_ENERGY = 1.5
"""An energy register that counted more than this many of its steps with no current did not just stand before one."""


def does_not_meet(results: Results) -> bool:
    """Whether a value was found beyond its limit, another number of turns than described, or a smallest current above the claimed."""
    return any(found for rng in results.ranges for found in _beyond(rng))


def _beyond(rng: RangeResult) -> Iterator[bool]:
    turns, smallest, rest, held = rng.effective_turns, rng.smallest, rng.no_load, rng.endurance
    yield turns is not None and turns.nearest != rng.expected_turns
    yield from (p.limit is not None and abs(p.ratio_error) > p.limit for p in rng.points if p.verdict == "fail")
    yield from (p.limit is not None and abs(p.power_error.value) > p.limit for p in rng.power)
    yield from (p.indicated_power * p.reference_power < 0 for p in rng.power)
    yield from (p.limit is not None and abs(p.displacement.value) > p.limit for p in rng.phase)
    yield smallest is not None and smallest.verdict == "fail" and (smallest.highest_silent or 0.0) >= smallest.limit
    if rest is not None:
        yield rest.limit is not None and abs(rest.current.value) > rest.limit
        yield None not in (rest.power, rest.power_limit) and abs(rest.power or 0.0) > (rest.power_limit or 0.0)
        counted, step = rest.energy, rest.energy_resolution
        yield counted is not None and step is not None and abs(counted) > STEPS_OF_ENERGY * step
    yield held is not None and abs(held.drift.value) > held.limit
