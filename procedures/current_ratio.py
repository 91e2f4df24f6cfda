"""The full verification of the current input: every range, up and back down, with its zero."""

from harness.steps import (
    Apply,
    Device,
    Observe,
    Options,
    Release,
    Select,
    Steps,
    both_ways,
    currents_of_class,
    ladder,
    procedure,
)


@procedure(title="Current ratio and linearity", revision="3")
def current_ratio(device: Device, options: Options) -> Steps:
    """Step the load through every range, up and back down, and read reference and meter under test together.

    All ranges share one grid of ampere-turns, so that the meter's own error curve cancels between them. Where a class is claimed, the
    currents at which it states its limits are among the steps.
    """
    for rng in device.ranges:
        yield Select(rng)
        yield Observe(f"{rng.name} zero", options.readings, "zero")
        currents = ladder(rng, options.per_decade, options.available, currents_of_class(device, rng), device.ranges)
        for direction, current in both_ways(currents):
            yield Apply(current)
            yield Observe(f"{rng.name} {direction} {current:.4g} A", options.readings, direction)
        yield Release()
