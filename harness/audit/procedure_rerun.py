"""Comparison of a record's points and waits with those of its procedure, run again on the recorded values."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from harness.audit.recorded_points import SAME, Done, RecordedState
from harness.current_limits.maximum_test_current import (
    ABOVE_MAXIMUM,
    CLIP,
    NOTHING_READ,
    crest_factor_of_load,
    too_large,
)
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.history import finished_points
from harness.record.journal import Record
from harness.run.bench_options import Settable, with_bench
from harness.run.time_on import reasons
from harness.steps import Apply, Observe, Options, Procedure, Release, Select, Step, Wait
from instruments.waveform_names import SINE_CREST_FACTOR


def departures_from_procedure(
    record: Record, done: Done, device: Device, bench: Bench, procedure: Procedure, load: Settable
) -> Iterator[tuple[int, str]]:
    """Deviations of the record from `procedure` on this bench: number of the line from 0, and a sentence.

    `done` is the content of the record, already checked for contradictions.
    """
    finished = finished_points(record, device, bench)
    options = with_bench(Options(**record.start["options"]), device, bench, load)
    never = too_large(device, bench)
    steps = procedure.steps(device, options)
    where = RecordedState(power_factor=1.0 if load.takes_power_factor(1.0) else None)
    end, waits, points, answer = len(record.lines) - 1, 0, 0, None
    by = f"by procedure {procedure.name}"
    while True:
        try:
            step: Step = steps.send(answer)
        except StopIteration:
            break
        except Exception as failure:  # noqa: BLE001  whatever a procedure raises, it did not raise it when this record was made
            yield end, f"found a run that goes on where procedure {procedure.name} fails: {failure}, expected none"
            return
        answer = None
        if isinstance(step, Wait):
            wait = done.waits.pop(waits, None)
            if wait is not None and not math.isclose(wait["seconds"], step.seconds, rel_tol=SAME):
                yield wait["line"], f"seconds: found {wait['seconds']:g}, expected {step.seconds:g} {by}"
            if wait is None and record.complete:
                yield end, f"found no wait {waits} of {step.seconds:g} s in the record, expected it {by}"
            waits += 1
        elif isinstance(step, Observe):
            line = done.points.pop(points, None)
            if line is None:
                if record.complete:
                    yield end, f"found the end without point {points}, {step.point}, expected it {by}"
                break
            wrong = list(_compared(line, step, where, done, bench, never))
            yield from ((line["line"], text) for text in wrong)
            if wrong:
                return
            answer = finished[points]
            points += 1
        else:
            where = _followed(where, step)
    steps.close()
    for left in (*done.points.values(), *done.waits.values()):
        if left["kind"] != "wait" or record.complete:
            yield left["line"], f"found {_called(left)}, expected none {by}"


def _followed(where: RecordedState, step: Select | Apply | Release) -> RecordedState:
    """Range, current and power factor after a step of the procedure."""
    match step:
        case Select(range=rng):
            return replace(where, selected=rng.name, flowing=0.0)
        case Apply(current=current, power_factor=asked):
            return replace(where, flowing=current, power_factor=where.power_factor if asked is None else asked)
    return replace(where, flowing=0.0)


def _called(line: Mapping[str, Any]) -> str:
    return f"wait {line['wait']}" if line["kind"] == "wait" else f"point {line['point']}, {line['name'][:60]}"


def _compared(
    line: dict[str, Any], step: Observe, where: RecordedState, done: Done, bench: Bench, never: Mapping[float, str]
) -> Iterator[str]:
    """Differences between a recorded point or skip and the procedure's step."""
    asked: dict[str, object] = {"name": step.point, "range": where.selected, "direction": step.direction}
    if line["kind"] == "point":
        asked |= {"count": step.count, "power": True if step.power else None}
        if where.flowing and step.direction != "zero":
            asked |= {"nominal_current": where.flowing, "power_factor": where.power_factor}
    for key, expected in asked.items():
        found = line.get(key)
        if not _same(found, expected):
            yield f"{key}: found {found!r:.60}, expected {expected!r}"
    applied = done.applied[line["point"]]
    if line["kind"] == "skip":
        if step.direction == "zero" or not _has_reason(line["reason"], where, applied, bench, never):
            yield f"reason: found {line['reason'][:60]!r}, expected one for which a run leaves this point out"
        return
    flowing = applied.flowing
    if step.direction == "zero":
        if where.flowing == 0 and flowing:
            yield f"found {flowing:g} A applied, expected none"
    elif where.flowing and not where.flowing / (1 + CLIP) * (1 - SAME) <= flowing <= where.flowing * (1 + SAME):
        yield f"found {flowing:g} A applied, expected {where.flowing:g} A"


def _has_reason(
    reason: str, where: RecordedState, applied: RecordedState, bench: Bench, never: Mapping[float, str]
) -> bool:
    """Whether the lines before, or the loads `never` to be plugged in, support the reason why a point was left out."""
    if reason == never.get(where.flowing):
        return True
    if ABOVE_MAXIMUM in reason:
        # Smaller changes of the maximum test current are not recorded.
        # The one recorded is of a sine; a peak may lower it by no more than its crest factor.
        steeper = crest_factor_of_load(bench, where.flowing) / SINE_CREST_FACTOR
        return where.flowing * max(1.0, steeper) > applied.maximum_test_current * (1 - CLIP)
    if reason.startswith(NOTHING_READ):
        return applied.silent
    return reason in reasons(bench)


def _same(found: object, expected: object) -> bool:
    if isinstance(found, float | int) and isinstance(expected, float | int):
        return math.isclose(found, expected, rel_tol=SAME)
    return found == expected
