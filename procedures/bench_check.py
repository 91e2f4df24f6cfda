"""The bench is checked before anything is verified on it."""

from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, procedure

PAIRS = 3
"""Points at the same current; the load is taken off in between, so that its setting is part of what is checked."""


@procedure(title="Bench check by a check standard", revision="1")
def bench_check(device: Device, options: Options) -> Steps:
    """Read the reference and a stable check standard in one circuit, at the current for which the standard is established.
    Their ratio must agree with the established ratio.
    """
    current = options.check_current
    if current is None:
        raise ValueError("the bench file has no [check_standard]")
    # The meter under test carries the current too, on the least sensitive range rated for it.
    rng = next((r for r in device.ranges if current <= r.maximum_current), None)
    if rng is None:
        raise ValueError(f"no range of the meter under test is rated for the check standard's {current:g} A")
    yield Select(rng)
    for count in range(PAIRS):
        yield Apply(current)
        yield Observe(f"check {count + 1}", options.readings, "check")
        yield Release()
