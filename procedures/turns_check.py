"""The quick check after winding: is every range the number of turns it should be?"""

from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, common_current, procedure


@procedure(title="Turns check at one common current", revision="1")
def turns_check(device: Device, options: Options) -> Steps:
    """Apply one current, within the rating of every range, to each range in turn and compare the readings."""
    common = common_current(device.ranges, options.available)
    for rng in device.ranges:
        yield Select(rng)
        yield Apply(common)
        yield Observe(f"{rng.name} single {common:.4g} A", options.readings, "single")
        yield Release()
