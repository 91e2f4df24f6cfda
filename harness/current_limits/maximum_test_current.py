"""The maximum test current of a range, and the part that sets it.

A maximum test current is the least over all parts of the path. The parts behind the transformer see the current times the turns,
so it is computed with the turns expected or the turns observed, whichever are more. Of the parts that only some ranges use, those
count which the turns observed do not rule out.

What clips or breaks down sees the peak of a current, what warms its effective value. The functions take the load that is to be plugged in, by its current, and
count its crest factor for the parts that are rated by a peak; without a load they are of a sine, as a load set by wire delivers it.
"""

import math
from collections.abc import Iterator, Sequence

from harness.core.quantities import format_quantity
from harness.current_limits.ratings import CurrentLimit, claimed, device_parts, ranges_in_the_path, turns_agree
from harness.current_limits.surges import fuse_surges, input_peak
from harness.files.bench import Bench
from harness.files.device import Device, Range
from harness.files.shelf_entry import UNKNOWN_CREST_FACTOR
from instruments.waveform_names import SINE_CREST_FACTOR

CLIP = 0.02
"""A point this little (relative) above the maximum is brought down to it; one further above is left out."""

ABOVE_MAXIMUM, NOTHING_READ = "is above the maximum test current of", "nothing is read at"
"""Wordings of why points are left out of a range. A record keeps the sentence alone, and its audit tells the reasons apart by these."""


SHELF_SPREAD = 1.1
"""A load on a shelf may draw this many times what is written on it; what it flows through must stand that too."""


def maximum_test_current(
    device: Device, bench: Bench, rng: Range, observed_turns: float | None = None, load: float | None = None
) -> CurrentLimit:
    """The maximum test current of `rng`; `observed_turns` is what the readings so far say of its turns (None: as many as expected)."""
    surges = _surges(device, bench, *_in_circuit(device, rng, observed_turns), load)
    return _with_margin(bench, rng, [withstood(device, bench, rng, observed_turns, load), *surges])


def withstood(
    device: Device, bench: Bench, rng: Range, observed_turns: float | None = None, load: float | None = None
) -> CurrentLimit:
    """The rating of the weakest part on `rng`: no more may flow, whatever is written on a load. Turns as in `maximum_test_current`."""
    return _weakest(device, bench, *_in_circuit(device, rng, observed_turns), load)


def _in_circuit(device: Device, rng: Range, observed_turns: float | None) -> tuple[float, Sequence[Range]]:
    """Turns that count, and the ranges whose own parts do."""
    expected = float(rng.primary_turns)
    observed = expected if observed_turns is None else observed_turns
    return max(expected, observed), ranges_in_the_path(device, rng, observed)


def crest_factor_of_load(bench: Bench, load: float | None) -> float:
    """The crest factor with which the load of that current counts; one that is not on the shelf counts as unknown. None is a sine."""
    if load is None or not bench.shelf_currents:
        return SINE_CREST_FACTOR
    plugged = bench.plugged(load)
    return UNKNOWN_CREST_FACTOR if plugged is None else plugged.largest_crest_factor


def _with_margin(bench: Bench, rng: Range, limits: Sequence[CurrentLimit]) -> CurrentLimit:
    spread = SHELF_SPREAD if bench.shelf_currents else 1.0
    weakest = min(limits, key=lambda part: part.current)
    return min(claimed(rng), CurrentLimit(weakest.current / spread, weakest.set_by), key=lambda part: part.current)


def _surges(
    device: Device, bench: Bench, turns: float, ranges: Sequence[Range], load: float | None
) -> Iterator[CurrentLimit]:
    """What the in-rush of the load permits: the current at which a load of the same kind had the in-rush that each part withstands.

    An in-rush that is not known sets no limit: no multiple of a current bounds it, and a rehearsal names the loads.
    """
    plugged = None if load is None else bench.plugged(load)
    if plugged is None or plugged.inrush_peak is None:
        return
    peak, most = plugged.inrush_peak, input_peak(device, turns)
    said = f"its in-rush of {format_quantity(peak, 'A')}"
    yield CurrentLimit(
        plugged.current * most / peak,
        f"{said}: the meter input withstands a peak of {format_quantity(most, 'A', 3)} at {turns:.3g} turns",
        by_peak=True,
    )
    i2t = plugged.largest_i2t
    for fuse in fuse_surges(device, turns, ranges):
        if i2t is not None and fuse.i2t is not None:
            text = f"{said} and {i2t:.3g} A^2 s: the {fuse.name} withstands {fuse.i2t:.3g} A^2 s again and again"
            yield CurrentLimit(plugged.current * math.sqrt(fuse.i2t / i2t), text)


def _weakest(
    device: Device, bench: Bench, turns: float, ranges: Sequence[Range], load: float | None = None
) -> CurrentLimit:
    """The least rating of all parts with `turns` turns in circuit and the own parts of `ranges`."""
    source, largest = bench.entry("load"), bench.entry("reference").ranges[-1]
    reference = largest.full_scale * bench.reference_path.factor
    ratings = [*device_parts(device, turns, ranges), CurrentLimit(reference, "largest range of the reference")]
    if largest.crest_factor is not None:
        followed = reference * largest.crest_factor / SINE_CREST_FACTOR
        ratings.append(CurrentLimit(followed, "peak that the reference follows", by_peak=True))
    ratings += [CurrentLimit(rating, name) for rating, name in bench.reference_path.ratings()]
    if source.maximum_current is not None:
        ratings.append(CurrentLimit(source.maximum_current, "load"))
    crest_factor = crest_factor_of_load(bench, load)
    return min((part.for_crest_factor(crest_factor) for part in ratings), key=lambda part: part.current)


def too_large(device: Device, bench: Bench) -> dict[float, str]:
    """The loads on the shelf never to be plugged in, by current in amperes, each with why.

    One that a range claims and may not carry is asked for on no other range either: the claim invites it where it does harm.
    """
    found = {}
    for current in bench.shelf_currents:
        limits = [(rng, maximum_test_current(device, bench, rng, load=current)) for rng in device.ranges]
        above = [(rng, limit) for rng, limit in limits if current > limit.current * (1 + CLIP)]
        claimed_by = [pair for pair in above if current <= pair[0].maximum_current]
        if claimed_by or len(above) == len(limits):
            rng, limit = min(claimed_by or above[:1], key=lambda pair: pair[1].current)
            largest = f"{format_quantity(limit.current, 'A')} on range {rng.name}"
            found[current] = f"{format_quantity(current, 'A')} {ABOVE_MAXIMUM} {largest}, set by {limit.set_by}"
            if len(above) < len(limits):
                names = " and ".join(rng.name for rng, _ in claimed_by)
                found[current] += f"; the other ranges use it once maximum_current of {names} is below it"
    return found


def safe_anywhere(device: Device, bench: Bench, load: float | None = None) -> float:
    """The most amperes until something has been read, since the switch may stand anywhere.

    No more than any range claims, any part of any range stands, or the meter input stands if the windings of all ranges carried the
    current at once.
    """
    weakest = [
        withstood_anywhere(device, bench, load),
        *_surges(device, bench, all_windings(device), device.ranges, load),
    ]
    return min(_with_margin(bench, r, weakest).current for r in device.ranges)


def withstood_anywhere(device: Device, bench: Bench, load: float | None = None) -> CurrentLimit:
    """The most that may flow until something has been read: with all windings in circuit, and the parts of every range."""
    return _weakest(device, bench, all_windings(device), device.ranges, load)


def all_windings(device: Device) -> float:
    """Turns when the windings of all ranges carry the current at once: the most there can be."""
    return float(sum(rng.primary_turns for rng in device.ranges))


def turns_for_limits(device: Device, bench: Bench, load: float, read: float, before: float | None) -> float:
    """The turns that limits count with once `read` turns were read at `load` amperes; `before` are those counted with until then.

    A load not stated to be a sine says no more than a lower bound: of pulses, a display that responds to the mean, clips or has little bandwidth
    shows too little, so that four turns may read as less than three. Until a sine was read, all windings count.
    """
    if confirms_turns(bench, load):
        return read
    return max(read, all_windings(device) if before is None else before)


def confirms_turns(bench: Bench, load: float) -> bool:
    """Whether what is read at that load is the turns: it is set by wire, or stated to be a sine."""
    if not bench.shelf_currents:
        return True
    plugged = bench.plugged(load)
    return plugged is not None and plugged.sinusoidal is True


def approach_current(device: Device, bench: Bench, rng: Range) -> float:
    """Amperes at which a newly selected range is first tried: the smallest current it claims, as far as that is safe anywhere.

    From a shelf, one of its loads, a sine where one is small enough; 0 when it has none to try the range with.
    """
    if not bench.shelf_currents:
        return min(rng.minimum_current, safe_anywhere(device, bench))
    readable = device.display.smallest_readable_current * rng.display_factor
    safe = [c for c in bench.shelf_currents if readable <= c <= safe_anywhere(device, bench, c)]
    tried = [c for c in safe if confirms_turns(bench, c)] or safe
    # The smallest the range claims comes first; where the shelf has none that is safe, the largest below it.
    return min((c for c in tried if c >= rng.minimum_current), default=max(tried, default=0.0))


def switch_looks_elsewhere(device: Device, rng: Range, observed_turns: float) -> Range | None:
    """The other range whose turns the observed ones fit better (by ratio) than `rng`'s, when they are 20 % off or more."""
    if turns_agree(observed_turns, rng.primary_turns):
        return None

    def distance(r: Range) -> float:
        ratio = observed_turns / r.primary_turns
        return max(ratio, 1 / ratio) if ratio > 0 else float("inf")

    nearest = min(device.ranges, key=distance)
    return nearest if nearest.name != rng.name and distance(nearest) < 1.1 else None
