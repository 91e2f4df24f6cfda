"""Finished points and waits of a record, for resuming an interrupted run and evaluating a complete one."""

import datetime as dt
import itertools
from collections.abc import Iterator, Sequence
from typing import Any

from harness.core.errors import RecordError
from harness.core.quantities import format_duration
from harness.files.bench import Bench
from harness.files.device import Device, Range
from harness.files.loading import parse_bench, parse_device
from harness.record.journal import Record
from harness.record.observations import NOTHING, ObservedPoint, ObservedRange, ReadingPair, packed
from harness.steps import PointReading

STEP, SLEW = 1.0, 1e-3
"""Seconds, and part of the elapsed time, by which time of day and running clock may differ: a time server slews by up to 500 ppm
(common practice, no published source)."""


def device_and_bench(record: Record) -> tuple[Device, Bench]:
    """Device and bench as read when the run began, with the conditions a sensor read then."""
    start = record.start
    device = parse_device(start["device_text"], start["device_file"])
    bench = stated_bench(record)
    for line in record.of_kind("environment"):
        # A sensor says the humidity in percent.
        given = (("temperature", 1), ("relative_humidity", 100))
        read = {key: line[key] / per for key, per in given if line.get(key) is not None}
        measured = bench.environment.model_copy(update=read)
        bench = bench.model_copy(update={"environment": measured})
    return device, bench


def clock_steps(record: Record) -> list[str]:
    """Steps of the time of day against the running clock, one line each: it was set, or the machine slept."""
    told = []
    for before, after in itertools.pairwise(record.lines):
        ran = after["elapsed"] - before["elapsed"]
        ahead = (_at(after) - _at(before)).total_seconds() - ran
        if abs(ahead) > STEP + SLEW * ran:
            way = "ahead of" if ahead > 0 else "behind"
            told.append(
                f"at line {after['line'] + 1} the time of day went {format_duration(abs(ahead))} {way} the running clock: it was "
                "set, or the computer slept"
            )
    return told


def _at(line: dict[str, Any]) -> dt.datetime:
    return dt.datetime.fromisoformat(line["at"])


def stated_bench(record: Record) -> Bench:
    """The bench as its file describes it."""
    return parse_bench(record.start["bench_text"], record.start["bench_file"])


def finished_points(record: Record, device: Device, bench: Bench) -> dict[int, PointReading]:
    """Point number -> the result of its `Observe`, for every point finished or left out."""
    finished: dict[int, PointReading] = {}
    for line, readings in _points(record):
        finished[line["point"]] = point_reading(line["name"], device.range_named(line["range"]), bench, readings)
    for line in record.of_kind("skip"):
        finished[line["point"]] = PointReading(line["name"], 0.0, 0.0, 0, skipped=line["reason"])
    return finished


def finished_waits(record: Record) -> frozenset[int]:
    """Numbers of the waits that need not be repeated: those without current.

    A wait under current is over only when the point after it is finished, since the interruption takes the current off.
    """
    return frozenset(line["wait"] for line in record.of_kind("wait") if not line["current"])


def point_reading(name: str, rng: Range, bench: Bench, readings: Sequence[dict[str, Any]]) -> PointReading:
    """The result of the `Observe` of point `name`, from its recorded readings."""
    reference = sum(r["reference"]["value"] for r in readings) / len(readings) * bench.reference_path.factor
    displayed = [r["displayed"]["value"] for r in readings]
    mean = sum(displayed) / len(readings) * rng.display_factor
    return PointReading(name, reference, mean, len(readings), reading=sum(value != 0 for value in displayed))


def observed_points(record: Record) -> list[ObservedPoint]:
    """The finished points with their raw pairs, in the order they were finished."""
    resumed = [line["line"] for line in record.of_kind("resume")]
    return [
        ObservedPoint(
            range=line["range"],
            name=line["name"],
            direction=line["direction"],
            nominal_current=line["nominal_current"],
            reference_scale=line["reference_scale"],
            pairs=packed([_pair(r) for r in readings]),
            power_factor=line.get("power_factor"),
            power_asked=line.get("power", False),
            part=sum(number < line["line"] for number in resumed),
        )
        for line, readings in _points(record)
    ]


def observed_ranges(record: Record) -> list[ObservedRange]:
    """Per range: the lowest maximum test current that held, the part that set it, and the points left out."""
    found: dict[str, tuple[float, str]] = {}
    left_out: dict[str, list[str]] = {}
    beyond: dict[str, list[str]] = {}
    waveforms: dict[str, list[str]] = {}
    of_direction = {"search": beyond, "check": beyond, "waveform": waveforms}
    for line in record.of_kind("step", "ceiling", "skip"):
        if line["kind"] == "skip":
            among = of_direction.get(line.get("direction", ""), left_out)
            among.setdefault(line["range"], []).append(f"{line['name']}: {line['reason']}")
        elif "ceiling" in line:
            found[line["range"]] = (line["ceiling"], line["ceiling_set_by"])
    return [
        ObservedRange(name, current, set_by, *(tuple(of.get(name, ())) for of in (left_out, beyond, waveforms)))
        for name, (current, set_by) in found.items()
    ]


def _points(record: Record) -> Iterator[tuple[dict[str, Any], list[dict[str, Any]]]]:
    """Each finished point with the readings of the attempt that finished it; earlier attempts start over at pair 0."""
    readings: list[dict[str, Any]] = []
    for line in record.of_kind("reading", "point"):
        if line["kind"] == "reading":
            if line["pair"] == 0:
                readings = []
            readings.append(line)
            continue
        own = [r for r in readings if r["point"] == line["point"]]
        if len(own) != line["count"]:
            raise RecordError(
                f"line {line['line'] + 1}: point {line['name']} has {len(own)} readings, expected {line['count']}"
            )
        yield line, own
        readings = []


def _pair(line: dict[str, Any]) -> ReadingPair:
    reference, displayed = line["reference"], line["displayed"]
    return ReadingPair(
        reference["value"],
        displayed["value"],
        (reference["started"], reference["finished"]),
        (displayed["started"], displayed["finished"]),
        {name: reading["value"] for name, reading in line["also"].items()} if line.get("also") else NOTHING,
    )
