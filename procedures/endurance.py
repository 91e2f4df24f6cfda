"""Holding every range's largest current while it warms."""

from harness.steps import Apply, Device, Observe, Options, Range, Release, Select, Steps, Wait, procedure

LOOKS = 10
"""Points on the way; one more stands at the beginning."""


@procedure(title="Endurance at the largest current", revision="2")
def endurance(device: Device, options: Options) -> Steps:
    """Hold the largest current of every range and read it repeatedly, to find the drift while warming. The procedure ends
    after the time set, or when a point cannot be taken. From a shelf the current is that of the largest load that may be on for that time.
    """
    for rng in device.ranges:
        yield Select(rng)
        yield Apply(held_current(rng, options))
        for look in range(LOOKS + 1):
            if look:
                yield Wait(options.hold / LOOKS)
            found = yield Observe(f"{rng.name} hold {look}", options.readings, "hold")
            if found is None or found.skipped:
                break
        yield Release()


def held_current(rng: Range, options: Options) -> float:
    """The largest current that may be held for the time asked for; where there is none, the one that may be on longest."""
    on_for = {c: options.longest_on[c] for c in options.available if c <= rng.maximum_current}
    enough = [c for c, seconds in on_for.items() if seconds > options.hold]
    return max(enough or on_for, key=lambda c: (bool(enough) or on_for[c], c), default=rng.maximum_current)
