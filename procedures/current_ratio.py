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
    ladder,
    procedure,
)


@procedure(title="Current ratio and linearity", revision="1")
def current_ratio(device: Device, options: Options) -> Steps:
    """Step the load through every range, up and back down, and read reference and device together."""
    for rng in device.ranges:
        yield Select(rng)
        yield Observe(f"{rng.name} zero", options.readings, "zero")
        for direction, current in both_ways(ladder(rng, options.per_decade, options.available)):
            yield Apply(current)
            yield Observe(f"{rng.name} {direction} {current:.4g} A", options.readings, direction)
        yield Release()
