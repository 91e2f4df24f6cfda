"""The meter's energy register against power and time, on every range."""

from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, Wait, procedure
from procedures.endurance import LOOKS, held_current


@procedure(title="Energy register against power and time", revision="1")
def energy_register(device: Device, options: Options) -> Steps:
    """Hold the largest current of every range and read power and register repeatedly. What the register counted, times the display factor
    of the range, is compared with the reference's power times the time. A register that stands still between its steps needs a time in which
    it makes many.
    """
    for rng in device.ranges:
        yield Select(rng)
        yield Apply(held_current(rng, options))
        for look in range(LOOKS + 1):
            if look:
                yield Wait(options.hold / LOOKS)
            found = yield Observe(f"{rng.name} register {look}", options.readings, "hold", power=True)
            if found is None or found.skipped:
                break
        yield Release()
