"""A diagnosis in sentences a technician can act on."""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.core.quantities import format_percent, format_quantity
from harness.evaluation.diagnosis.evidence import POWER, RATIO, SECONDARY, THRESHOLD, ZERO
from harness.evaluation.diagnosis.hypotheses import Candidate
from harness.evaluation.diagnosis.separation import WORTH, Advice, Measurement
from harness.files.device import Device

COMMON_TO_ALL = "this run cannot separate an error common to all ranges from an error of the reference; the bench check (bench_check) can"
"""Beside every explanation by a part that is the same on all ranges."""


def not_told_apart(texts: Sequence[str]) -> str:
    """The note for causes that this run leaves open; empty for one alone."""
    # Variants of one fault may share their text, so it is told once.
    alone = list(dict.fromkeys(texts))
    return f"this run cannot separate these causes: {'; or '.join(alone)}" if len(alone) > 1 else ""


def none_fits(best: Candidate, fit: float) -> str:
    """The note where nothing listed explains the run."""
    how = f"{fit:.1g}" if fit >= 1e-6 else "less than 1e-6"
    return f"the nearest known cause, {best.label}, does not explain the readings (probability of so poor a fit: {how})"


def further(device: Device, advice: Advice, group: Sequence[Candidate], aim: str) -> str:
    """What to measure or look at next to tell `group` apart, in one line that begins with its `aim`."""
    if advice.gain < WORTH:
        look = looking(list(dict.fromkeys(look for c in group for look in c.looks)))
        return f"further readings cannot separate these causes{f'; {look}' if look else ''}"
    other = max(range(1, len(group)), key=lambda h: _apart(advice, h))
    expected = [
        f"{_expected(device, advice.measurement, float(advice.expected[h]), 2 * float(advice.deviations[h]))} if {group[h].label}"
        for h in (0, other)
    ]
    return f"{aim}: {_action(advice.measurement)}; expect {', or '.join(expected)}"


def looking(looks: Sequence[str]) -> str:
    """Where to look, in a sentence; empty for nowhere."""
    return f"with the supply disconnected, locked off and proved dead: {'; '.join(looks)}" if looks else ""


def _apart(advice: Advice, h: int) -> float:
    """How far the readings expected by one hypothesis are from those of the first: in place, or in width."""
    means, deviations = advice.expected, advice.deviations
    between = abs(float(means[h] - means[0])) / math.hypot(float(deviations[h]), float(deviations[0]))
    return between + abs(math.log(float(deviations[h] / deviations[0])))


def _action(measurement: Measurement) -> str:
    current = format_quantity(measurement.current, "A", 3)
    match measurement.kind:
        case _ if measurement.other:
            return f"read {measurement.range} and {measurement.other} in succession at {current} and compare them"
        case kind if kind == POWER:
            lag = "" if measurement.power_factor == 1 else " lagging"
            return (
                f"read the power on {measurement.range} at {current} and power factor {measurement.power_factor:g}{lag}"
            )
        case kind if kind == ZERO:
            return f"read {measurement.range} with no current"
        case kind if kind == SECONDARY:
            return (
                f"read the secondary current on {measurement.range} at {current}, with a meter fitted into the secondary while the supply is "
                "disconnected, locked off and proved dead (role `secondary`; never open the secondary under current)"
            )
        case kind if kind == THRESHOLD:
            return f"find the smallest current that {measurement.range} shows"
        case _:
            return f"read {measurement.range} at {current}"


def _expected(device: Device, measurement: Measurement, value: float, width: float) -> str:
    """What is expected, give or take `width` (two standard deviations)."""
    rng = device.range_named(measurement.range)
    percent = f"{format_percent(value, '+.2f' if abs(value) < 0.1 else '+.0f')} ± {width * 100:.2g} %"
    if measurement.other:
        return f"a difference of {percent}"
    if measurement.kind == RATIO:
        return f"{format_quantity(max(0.0, measurement.current * (1 + value)), 'A')} ({percent})"
    if measurement.kind == POWER:
        return "a negative power" if value < -1 else f"a power off by {percent}"
    if measurement.kind == SECONDARY:
        through = measurement.current * rng.primary_turns / device.transformer.secondary_turns
        return f"{format_quantity(max(0.0, through * (1 + value)), 'A')} ({percent})"
    if measurement.kind == ZERO:
        return format_quantity(max(0.0, value * rng.minimum_current), "A", 3)
    readable = device.display.smallest_readable_current * rng.display_factor
    return "none" if value > 40 else f"about {format_quantity(readable * (1 + value), 'A', 3)}"
