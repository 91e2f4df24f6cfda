"""What the meter shows, and counts, when nothing flows."""

from harness.steps import Device, Observe, Options, Select, Steps, Wait, procedure


@procedure(title="No load: offset, own consumption, creep", revision="1")
def no_load(device: Device, options: Options) -> Steps:
    """With the voltage on and no current, read every range at the beginning and after a wait. The indication is the offset
    or the meter's own consumption; energy registered in between is creep.
    """
    for rng in device.ranges:
        yield Select(rng)
        yield Observe(f"{rng.name} zero", options.readings, "zero", power=True)
        yield Wait(options.hold)
        yield Observe(f"{rng.name} zero after {options.hold:g} s", options.readings, "zero", power=True)
