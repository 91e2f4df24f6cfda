"""Power and what makes it up: at unity, 0.5 lagging and 0.8 leading, at a few currents of every range."""

from harness.steps import (
    Apply,
    Device,
    Observe,
    Options,
    Release,
    Select,
    Steps,
    currents_of_class,
    ladder,
    procedure,
    signed_text,
)


@procedure(title="Power, power factor and phase displacement", revision="2")
def power_and_phase(device: Device, options: Options) -> Steps:
    """On every range read active power, current and power factor against the reference, at several currents and power
    factors, so that ratio error and phase displacement can be separated.

    Where classes are claimed, the currents at which they state their limits are among those of every power factor.
    A load from a shelf is used with its own power factor.
    """
    for rng in device.ranges:
        currents = ladder(rng, 1, options.known_loads or options.available, currents_of_class(device, rng, power=True))
        yield Select(rng)
        for power_factor in options.power_factors or (None,):
            for current in currents:
                at = "" if power_factor is None else f" at {signed_text(power_factor)}"
                yield Apply(current, power_factor)
                yield Observe(f"{rng.name} {current:.4g} A{at}", options.readings, "single", power=True)
            yield Release()
