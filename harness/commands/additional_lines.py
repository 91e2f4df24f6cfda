"""What the terminal says of a range beyond its turns, and of the bench's own check."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.core.quantities import format_quantity, signed_text
from harness.results import BenchCheck, Judged, NoLoad, PhaseDisplacement, RangeResult, worst
from harness.wording.values import stated_text


def beyond_lines(rng: RangeResult) -> Iterator[str]:
    """One line each on power, phase, smallest current, no load, endurance and the parts of the error, where there are any."""
    if rng.power:
        furthest = worst(rng.power)
        yield (
            f"power: {_called(furthest.power_error)} error {stated_text(furthest.power_error, '%')} at {format_quantity(furthest.reference_current, 'A', 3)}, "
            f"power factor {signed_text(round(furthest.power_factor, 2))}; {len(rng.power)} points"
        )
    if rng.phase:
        angle = worst(rng.phase)
        yield f"{_called(angle.displacement)} phase displacement {_minutes(angle)}"
        errors = [f.normalized_error for p in rng.phase for f in p.foretold if f.normalized_error is not None]
        if errors:
            agrees = "agrees" if max(errors) <= 1 else "agrees only roughly" if max(errors) <= 2 else "DISAGREES"
            yield f"power predicted from it {agrees} with the power measured (largest En {max(errors):.2f}, ISO/IEC 17043)"
    if rng.smallest is not None:
        found, lowest = rng.smallest.found, rng.smallest.lowest_reading
        down_to = (
            "none of the currents tried was read"
            if lowest is None
            else f"smallest current tried and read {format_quantity(lowest, 'A', 3)}"
        )
        reads = f"smallest readable current {stated_text(found, 'A')}" if found is not None else down_to
        yield f"{reads}; claimed {format_quantity(rng.smallest.limit, 'A', 3)}"
    if rng.no_load is not None:
        rest = rng.no_load
        yield f"indication with no current {stated_text(rest.current, 'A')}{_claimed(rest)}"
        yield from _creep(rest)
    if rng.endurance is not None:
        held = rng.endurance
        yield f"held {format_quantity(held.current, 'A', 3)} for {held.seconds:.0f} s: drift {stated_text(held.drift, '%')}"
    if rng.parts:
        clearest = min(rng.parts, key=lambda p: p.transformer_error.expanded_uncertainty)
        yield (
            f"error of transformer and turns {stated_text(clearest.transformer_error, '%')}, "
            f"of the metering module {stated_text(clearest.module_error, '%')} (at {clearest.name}, with the smallest U)"
        )


def _called(judged: Judged) -> str:
    return "largest" if judged.verdict is None else "worst"


def _claimed(rest: NoLoad) -> str:
    return "" if rest.current.limit is None else f"; limit {format_quantity(rest.current.limit, 'A', 3)}"


def _creep(rest: NoLoad) -> Iterator[str]:
    if rest.creep is not None and rest.creep_below is not None and rest.energy is not None:
        counted = f"{rest.energy / 3600:.3g} Wh registered in {rest.seconds:.0f} s, and less than one step more"
        yield f"creep {stated_text(rest.creep, 'W')}, upper bound {format_quantity(rest.creep_below, 'W', 3)} ({counted})"


def check_line(check: BenchCheck) -> str:
    """The bench's own check in a line."""
    return (
        f"bench check with {check.instrument} at {format_quantity(check.current, 'A')}: ratio {stated_text(check.found)}, "
        f"established {stated_text(check.established)}, En = {check.normalized_error:.2f}: {check.verdict} (criterion {check.criterion})"
    )


REVERSED = 2.0
"""Radians of phase displacement that only half a turn explains."""


def _minutes(found: PhaseDisplacement) -> str:
    if abs(found.displacement.value) > REVERSED:
        return f"{math.degrees(found.displacement.value):+.1f} degrees: connected the wrong way round; power reads negative"
    return stated_text(found.displacement, "'") + f" at {format_quantity(found.nominal_current, 'A', 3)}"
