"""Notes on shelf loads in a rehearsal: loads not used, and needs of points left out for time."""

from collections.abc import Iterator, Sequence

from harness.core.quantities import format_duration, format_quantity
from harness.current_limits.maximum_test_current import approach_current, confirms_turns, too_large
from harness.current_limits.surges import core_charge, fuse_surges, input_peak
from harness.evaluation.ratio.reference_shape import lost_by_bandwidth, not_comparable
from harness.files.bench import Bench
from harness.files.device import Device, Range
from harness.files.shelf_entry import ShelfEntry
from harness.record.journal import Record
from harness.run.selected_range import NO_SINE
from harness.run.time_on import reasons, seconds_needed
from instruments.drivers.shelf_load import ShelfLoad


def loads_not_used(device: Device, bench: Bench, record: Record) -> Iterator[str]:
    """Loads that no step of `record` applies, each with the reason; first those that must not be plugged in."""
    shelf, forbidden = bench.entry("load").shelf, too_large(device, bench)
    for load in shelf:
        if load.current in forbidden:
            yield f"DO NOT PLUG IN {load.name}: {forbidden[load.current]}"
    known = {line["current"] for line in record.of_kind("step") if line["step"] == "apply"} | forbidden.keys()
    smallest = min(rng.minimum_current for rng in device.ranges)
    unused = {s.current: f"{s.name} ({format_quantity(s.current, 'A')})" for s in shelf if s.current not in known}
    for why, found in (
        ("below the smallest current of every range", [text for c, text in unused.items() if c < smallest]),
        ("this procedure asks for other currents", [text for c, text in unused.items() if c >= smallest]),
    ):
        if found:
            yield f"not used: {', '.join(found)}: {why}"


def cautions_of_loads(device: Device, bench: Bench, record: Record) -> Iterator[str]:
    """What is to be heeded of loads that steps of `record` apply: currents that magnetise, and what flows while they are switched on."""
    applied = {line["current"] for line in record.of_kind("step") if line["step"] == "apply"}
    used = [load for load in bench.entry("load").shelf if load.current in applied]
    yield from filter(None, (ShelfLoad(load.name, load.current, load.shape).caution for load in used))
    finest = device.ranges[-1]
    if unknown := [load.name for load in used if load.inrush_peak is None]:
        most = format_quantity(input_peak(device, finest.primary_turns), "A", 3)
        yield (
            f"in-rush not known: {', '.join(unknown)}. On {finest.name} the meter's input withstands a peak of {most}; no reading shows the "
            "in-rush of a load, so find out (inrush)"
        )
    yield from _fuses_not_held(device, used)
    for load in used:
        if names := [rng.name for rng in device.ranges if _leaves_flux(device, rng, load)]:
            yield (
                f"the in-rush of {load.name} may saturate the core on {', '.join(names)} and leave flux behind: what is read "
                "right after it may be wrong"
            )


def _fuses_not_held(device: Device, used: Sequence[ShelfEntry]) -> Iterator[str]:
    """What no in-rush is held to: the loads of which the I2t is not known where a fuse is in the path, and the fuses of which it is not."""
    finest = device.ranges[-1]
    fuses = dict.fromkeys(fuse for rng in device.ranges for fuse in fuse_surges(device, rng.primary_turns, [rng]))
    if not fuses or not used:
        return
    if loads := [load.name for load in used if load.largest_i2t is None]:
        on_finest = fuse_surges(device, finest.primary_turns, [finest])
        withstood = [f"the {fuse.name} withstands {fuse.i2t:.3g} A2s" for fuse in on_finest if fuse.i2t is not None]
        most = f" On {finest.name} {' and '.join(withstood)}." if withstood else ""
        names = " and the ".join(dict.fromkeys(fuse.name for fuse in fuses))
        yield (
            f"I2t of the in-rush not known: {', '.join(loads)}. Nothing tells whether the {names} withstands it.{most} "
            "Find out (inrush_duration or inrush_i2t, beside inrush)"
        )
    if keys := dict.fromkeys(fuse.key for fuse in fuses if fuse.i2t is None):
        yield f"melting I2t of a fuse not known ({', '.join(keys)}): no in-rush is held to it"


def _leaves_flux(device: Device, rng: Range, load: ShelfEntry) -> bool:
    charge = core_charge(device, rng.primary_turns)
    if charge is None or load.inrush_peak is None or load.inrush_duration is None:
        return False
    return load.current <= rng.maximum_current and load.inrush_peak * load.inrush_duration > charge


def ranges_without_a_sine(device: Device, bench: Bench) -> Iterator[str]:
    """A line for the ranges whose check reading no load stated to be a sine is small enough for."""
    tried = {rng.name: approach_current(device, bench, rng) for rng in device.ranges}
    names = [name for name, current in tried.items() if current and not confirms_turns(bench, current)]
    if names:
        yield (
            f"{', '.join(names)}: {NO_SINE}. Put a small heater, a soldering iron or a filament lamp on the shelf and "
            'state waveform = "sine"'
        )


def shapes_read_by_the_reference(device: Device, bench: Bench, record: Record) -> Iterator[str]:
    """What the reference makes of the loads applied whose current is no sine: what its bandwidth may take, or that nothing is known of it."""
    applied = {line["current"] for line in record.of_kind("step") if line["step"] == "apply"}
    shaped = [load for load in bench.entry("load").shelf if load.current in applied and not load.sinusoidal]
    unknown = [load.name for load in shaped if not_comparable(bench, load)]
    if unknown:
        yield (
            f"what the reference reads of {', '.join(unknown)} is not known, since the waveform of the load, or response, bandwidth or crest "
            "factor of the reference, is not stated. U of their points does not hold it"
        )
    widths = [r.bandwidth for r in bench.entry("reference").ranges if r.bandwidth is not None]
    for load in shaped:
        if load.name not in unknown and load.shape is not None and widths:
            lost = abs(lost_by_bandwidth(load.shape, min(widths) / device.transformer.frequency))
            yield f"of {load.name} ({load.shape.text}) the reference's bandwidth may take up to {lost * 100:.2g} %, which is in U"


def left_out(record: Record, names: dict[str, list[str]], device: Device, bench: Bench) -> Iterator[str]:
    """One line per reason, with the `names` of the points left out for it; for time on, also the time needed and a remedy."""
    firsts: dict[str, str] = {}
    for line in record.of_kind("point", "skip"):
        if line["direction"] != "zero":
            firsts.setdefault(line["range"], line["name"])
    readings, allowed = record.start["options"]["readings"], reasons(bench)
    for reason, points in names.items():
        text = f"{', '.join(points)} would be left out: {reason}"
        if reason in allowed:
            # A range begins with a check reading, and its load stays on for the first point.
            check = int(any(point in firsts.values() for point in points))
            text += _remedy(allowed[reason].seconds, readings, check, device, bench)
        yield text


def _remedy(allowed: float, readings: int, check: int, device: Device, bench: Bench) -> str:
    if not bench.entry("load").by_person:
        return ", counted from when the load is switched on, over all points until it is off. Use fewer readings or points (--readings, --per-decade)"
    needed = [seconds_needed(device, bench, count + check) for count in range(1, readings + 1)]
    fitting = sum(seconds <= allowed for seconds in needed)
    of = f"{readings} readings" if readings > 1 else "1 reading"
    text = (
        f"; {of} of a point{' and the check reading before' if check else ''} take about {format_duration(needed[-1])}"
    )
    fewer = f"--readings {fitting} or " if 0 < fitting < readings else ""
    return f"{text}. Use {fewer}a smaller load, never a longer time than its manual permits"
