"""Points at currents for which the reference path has no known error, or of a waveform the reference does not follow: they are left out, as points the run
could not read.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from harness.evaluation.ratio.reference_shape import not_compared, not_followed
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.observations import ObservedPoint, ObservedRange
from harness.results import NOT_VISITED


def uncalibrated(device: Device, bench: Bench, points: Sequence[ObservedPoint]) -> Iterator[tuple[ObservedPoint, str]]:
    """The points read at a current at which nothing is known of the reference path, or not enough of the reference, each with why."""
    path = bench.reference_path
    for point in points:
        reading = sum(p.reference for p in point.pairs) / max(1, len(point.pairs))
        if point.direction == "zero" or reading <= 0:
            continue
        burden = bench.connected_burden(point.reference_scale)
        why = path.unknown(reading * path.factor, device.transformer.frequency, burden) or not_followed(bench, point)
        if not why and point.direction == "waveform":
            why = not_compared(bench, point)
        if why:
            yield point, why


def calibrated_only(
    device: Device, bench: Bench, points: Sequence[ObservedPoint], ranges: Sequence[ObservedRange]
) -> tuple[list[ObservedPoint], list[ObservedRange]]:
    """`points` without the uncalibrated ones, which join the points left out of their ranges."""
    without = list(uncalibrated(device, bench, points))
    known = {r.name: r for r in ranges}
    for point, why in without:
        rng = known.get(point.range, ObservedRange(point.range, 0.0, NOT_VISITED))
        line = (f"{point.name}: {why}",)
        if point.direction in ("search", "check"):
            known[point.range] = replace(rng, skipped_beyond=rng.skipped_beyond + line)
        elif point.direction == "waveform":
            known[point.range] = replace(rng, skipped_waveforms=rng.skipped_waveforms + line)
        else:
            known[point.range] = replace(rng, skipped=rng.skipped + line)
    names = {id(point) for point, _ in without}
    return [p for p in points if id(p) not in names], list(known.values())
