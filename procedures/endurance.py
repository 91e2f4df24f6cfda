"""Holding every range's largest current while it warms."""

from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, Wait, procedure

LOOKS = 10
"""Points on the way; one more stands at the beginning."""


@procedure(title="Endurance at the largest current", revision="1")
def endurance(device: Device, options: Options) -> Steps:
    """Hold the largest current of every range and read it again and again, so that drift while warming is seen. It ends
    after the time asked for, or as soon as a point cannot be taken.
    """
    for rng in device.ranges:
        yield Select(rng)
        yield Apply(max((c for c in options.available if c <= rng.maximum_current), default=rng.maximum_current))
        for look in range(LOOKS + 1):
            if look:
                yield Wait(options.hold / LOOKS)
            found = yield Observe(f"{rng.name} hold {look}", options.readings, "hold")
            if found is None or found.skipped:
                break
        yield Release()
