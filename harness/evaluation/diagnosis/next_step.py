"""Open questions of a diagnosis, and the next measurement or inspection."""

import math
from collections.abc import Sequence

from harness.evaluation.diagnosis.evidence import POWER, RATIO, SECONDARY, THRESHOLD, ZERO
from harness.evaluation.diagnosis.extra_measurement import WORTH, Advice, Measurement
from harness.evaluation.diagnosis.hypotheses import NONE, Candidate
from harness.files.device import Device
from harness.results import NextMeasurement, Reason

LEAST_TOLD = 1e-6
"""Probabilities below this are told as less than it."""

SEPARATED = 3.0
"""Predictions this many standard deviations apart can be separated by a reading: a judgement."""

NOTHING_SHOWN = 40.0
"""A range shows nothing when its smallest readable current is predicted this many times the described one above it."""


def not_told_apart(texts: Sequence[str]) -> list[Reason]:
    """The note for causes that this run leaves open; none for one alone."""
    # Variants of one fault may share their text, so it is told once.
    alone = tuple(dict.fromkeys(texts))
    return [Reason.of("not-separated", causes=alone)] if len(alone) > 1 else []


def none_fits(best: Candidate, fit: float) -> Reason:
    """The note where nothing listed explains the run."""
    small = fit < LEAST_TOLD
    return Reason.of(
        "no-known-cause",
        cause=best.label,
        probability=None if small else fit,
        less_than=LEAST_TOLD if small else None,
    )


def further(
    device: Device, advice: Advice, group: Sequence[Candidate], aim: str
) -> tuple[NextMeasurement | None, Reason | None]:
    """The next measurement to tell `group` apart, or where to look when no reading does."""
    if advice.gain < WORTH:
        return None, looking("no-reading-separates", tuple(look for c in group for look in c.looks))
    other = max(range(1, len(group)), key=lambda h: _apart(advice, h))
    alike: dict[int, list[str]] = {0: [group[0].label], other: [group[other].label]}
    # What this run could not see in a meter that seems sound is listed elsewhere.
    for h in () if group[0].label == NONE else range(1, len(group)):
        near = min(alike, key=lambda head: _apart(advice, h, head))
        if _apart(advice, h, near) >= SEPARATED:
            alike[h] = [group[h].label]
        elif group[h].label not in alike[near]:
            alike[near].append(group[h].label)
    expected = tuple(
        _expected(device, advice.measurement, float(advice.expected[h]), 2 * float(advice.deviations[h]), labels[0])
        for h, labels in alike.items()
    )
    undecided = tuple(Reason.of("stay-undecided", causes=tuple(s)) for s in alike.values() if len(s) > 1)
    return NextMeasurement(Reason.of(aim), _action(advice.measurement), expected, undecided), None


def looking(code: str, looks: Sequence[str]) -> Reason | None:
    places = tuple(dict.fromkeys(looks)) or None
    return Reason.of(code, places=places) if places or code != "look" else None


def _apart(advice: Advice, h: int, other: int = 0) -> float:
    """The distance of the readings expected by two hypotheses: in place, or in width."""
    means, deviations = advice.expected, advice.deviations
    between = abs(float(means[h] - means[other])) / math.hypot(float(deviations[h]), float(deviations[other]))
    return between + abs(math.log(float(deviations[h] / deviations[other])))


def _action(measurement: Measurement) -> Reason:
    on, current, factor = measurement.range, measurement.current, measurement.power_factor
    if measurement.other:
        return Reason.of("read-both", on, other=measurement.other, current=current)
    if measurement.kind == POWER:
        return Reason.of("read-power", on, current=current, power_factor=factor)
    if measurement.kind in (ZERO, THRESHOLD):
        return Reason.of("read-no-current" if measurement.kind == ZERO else "find-smallest", on)
    if measurement.kind == SECONDARY:
        return Reason.of("read-secondary", on, current=current)
    waveform = None if measurement.waveform.sinusoidal else measurement.waveform.text
    return Reason.of("read-range", on, current=current, waveform=waveform)


def _expected(device: Device, measurement: Measurement, value: float, width: float, cause: str) -> Reason:
    """The reading that `cause` predicts, give or take `width` (two standard deviations)."""
    rng, current = device.range_named(measurement.range), measurement.current
    if measurement.other:
        return Reason.of("expect-difference", error=value, width=width, cause=cause)
    if measurement.kind == POWER:
        if value < -1:
            return Reason.of("expect-negative-power", cause=cause)
        return Reason.of("expect-power", error=value, width=width, cause=cause)
    if measurement.kind == ZERO:
        return Reason.of("expect-indication", current=max(0.0, value * rng.minimum_current), cause=cause)
    if measurement.kind == THRESHOLD:
        if value > NOTHING_SHOWN:
            return Reason.of("expect-nothing", cause=cause)
        readable = device.display.smallest_readable_current * rng.display_factor
        return Reason.of("expect-smallest", current=readable * (1 + value), cause=cause)
    through = current if measurement.kind == RATIO else current * rng.primary_turns / device.transformer.secondary_turns
    return Reason.of("expect-current", current=max(0.0, through * (1 + value)), error=value, width=width, cause=cause)
