"""Ranges of which a run would verify nothing although ratios are asked: a run that says nothing of a range must not look complete."""

from collections.abc import Iterator
from itertools import islice

from harness.core.quantities import format_quantity
from harness.current_limits.maximum_test_current import CLIP, maximum_test_current
from harness.current_limits.ratings import CurrentLimit
from harness.files.bench import Bench
from harness.files.device import Device, Range
from harness.preparation.run_files import RunInputs
from harness.results import Results
from harness.steps import Direction, Observe

RATIOS: tuple[Direction, ...] = ("up", "down", "single", "hold")
"""Directions of points that a ratio error is found from."""

ENOUGH_STEPS = 10_000
"""Steps after which a procedure is taken to ask for no ratio."""


def ranges_without_points(inputs: RunInputs, results: Results) -> Iterator[str]:
    """A line for each such range, with what limits it and the way through."""
    if results.bench_check is not None or not _asks_for_ratios(inputs):
        return
    device, bench = inputs.device, inputs.bench
    for rng in device.ranges:
        limit = maximum_test_current(device, bench, rng)
        if _can_be_read(device, bench, rng):
            continue
        what = "no load of the shelf is" if bench.shelf_currents else "no current is"
        least, most = format_quantity(rng.minimum_current, "A"), format_quantity(limit.current, "A")
        yield (
            f"{rng.name}: {what} within its claim (from {least}) and its maximum test current ({most}, limited by {limit.set_by}): "
            f"nothing of it would be verified. {_way_through(device, rng, limit)}"
        )


def _asks_for_ratios(inputs: RunInputs) -> bool:
    """Whether the procedure, with a load that can be set to any current, observes what a ratio is found from."""
    steps = islice(inputs.procedure.steps(inputs.device, inputs.options), ENOUGH_STEPS)
    try:
        return any(isinstance(step, Observe) and step.direction in RATIOS for step in steps)
    except ValueError:
        # It needs what only a shelf has.
        return False


def _can_be_read(device: Device, bench: Bench, rng: Range) -> bool:
    """Whether a current that the range claims may flow; of a load on the shelf its peak counts too."""
    limits = {c: maximum_test_current(device, bench, rng, load=c).current for c in bench.shelf_currents}
    currents = limits or {rng.minimum_current: maximum_test_current(device, bench, rng).current}
    return any(rng.minimum_current <= current <= most * (1 + CLIP) for current, most in currents.items())


def _way_through(device: Device, rng: Range, limit: CurrentLimit) -> str:
    if rng.minimum_current <= limit.current * (1 + CLIP):
        return "Put a load between the two on the shelf"
    shown = format_quantity(device.display.smallest_readable_current * rng.display_factor, "A")
    fuse = (
        ". A fuse that is there for another range belongs into the table of that range"
        if limit.set_by == "fuse"
        else ""
    )
    return f"Fit a part with a higher rating, or claim from less (the display shows {shown} and more){fuse}"
