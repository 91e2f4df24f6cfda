"""Down to where the display stops reading, on every range."""

from harness.steps import Apply, Device, Observe, Options, Range, Release, Select, Steps, procedure

CLOSE = 1.01
"""The search ends when the currents that read and do not read are this near each other (ratio)."""
MOST = 14


@procedure(title="Smallest readable current", revision="1")
def smallest_current(device: Device, options: Options) -> Steps:
    """Begin at the smallest current that a range claims, which it must read. Lower the current until the display reads zero,
    and narrow the interval in which that happens from both sides.
    """
    # A current that lags shows whether the power factor displayed is measured or the default.
    asked = 0.5 if 0.5 in options.power_factors else None
    for rng in device.ranges:
        yield Select(rng)
        if options.available:
            yield from _down_the_shelf(rng, options)
        else:
            yield from _search(device, rng, options, asked)
        yield Release()


def _search(device: Device, rng: Range, options: Options, asked: float | None) -> Steps:
    reads, silent = rng.minimum_current, 0.0
    expected = device.display.smallest_readable_current * rng.display_factor
    trial = reads
    for count in range(MOST):
        yield Apply(trial, asked)
        found = yield Observe(f"{rng.name} search {count + 1}", options.readings, "search", power=True)
        if found is None or found.skipped:
            return
        if 2 * found.reading >= found.count:
            reads = trial
        else:
            silent = trial
        if silent and reads / silent <= CLOSE:
            return
        lower = min(0.9 * expected, reads / 2) if count == 0 else reads / 2
        trial = (reads * silent) ** 0.5 if silent else lower
        if trial < options.least_current:
            # The load goes no lower: what read last is the smallest that can be shown.
            return


def _down_the_shelf(rng: Range, options: Options) -> Steps:
    """The loads there are, from the smallest that the range claims downward until one does not read."""
    claimed = [c for c in options.available if rng.minimum_current <= c <= rng.maximum_current]
    below = [c for c in reversed(options.available) if c < rng.minimum_current]
    for count, current in enumerate([*claimed[:1], *below]):
        yield Apply(current)
        found = yield Observe(f"{rng.name} search {count + 1}", options.readings, "search", power=True)
        if found is None or found.skipped or 2 * found.reading < found.count:
            return
