"""Measurements of the instruments of a simulated bench: quantities of the circuit, and constants of the room."""

import math

from instruments.profile import Profile
from simulated.bench_physics import BenchPhysics
from simulated.physics.load import Refused
from simulated.physics.observers import Measured

TEMPERATURE, RELATIVE_HUMIDITY = 23.0, 45.0
"""In degC and %: the air in which a calibration laboratory works; common practice, no published source."""


def measured(bench: BenchPhysics, role: str, name: str) -> float:
    """The quantity `name` as the instrument playing `role` sees it now, in the unit of a profile.

    An instrument that measures takes its integration time. Raises Refused (-221) for an unknown quantity.
    """
    constants = {
        "frequency": bench.description.meter.frequency,
        "temperature": TEMPERATURE,
        "relative_humidity": RELATIVE_HUMIDITY,
    }
    if name in constants:
        return constants[name]
    if name == "energy" and role == "meter":
        return bench.displayed_energy()
    return part_of(bench.measure(role), name)


def part_of(whole: Measured, name: str) -> float:
    """The quantity `name` of one measurement. Raises Refused (-221) for an unknown quantity."""
    apparent = whole.voltage * abs(whole.current)
    values = {
        "current": whole.current,
        "voltage": whole.voltage,
        "power": whole.power,
        "apparent_power": apparent,
        "reactive_power": math.sqrt(max(0.0, apparent**2 - whole.power**2)),
        "power_factor": whole.power_factor,
        "phase": whole.phase,
    }
    if name not in values:
        raise Refused(-221)
    return values[name]


class Sensing:
    """A multimeter, analyser, meter or sensor: which quantity a query reads, and when it was measured."""

    def __init__(self, bench: BenchPhysics, role: str, profile: Profile) -> None:
        self._bench, self._role, self._profile = bench, role, profile
        self._configured: dict[str, str] = {}
        self._armed = False
        self._fired_at: float | None = None
        self._whole: Measured | None = None

    def configure(self, name: str, text: str) -> None:
        """Make the query of `name` read `name` from now on; a meter of current goes to the range for `text`. Raises Refused."""
        in_volts = self._role == "reference" and self._bench.description.reference_path.in_volts
        if name == ("voltage" if in_volts else "current") and text:
            self._bench.configure(self._role, float(text))
        self._configured[self._profile.quantities[name].get] = name

    def arm(self, _: str) -> None:
        """Wait for a trigger and discard the earlier measurement (SCPI-99, error -230)."""
        self._armed, self._fired_at, self._whole = True, None, None

    def fire(self, _: str) -> None:
        """Begin a measurement. Raises Refused (-211) when nothing waits for it."""
        trigger = self._profile.trigger
        if trigger is not None and not trigger.arm:
            self.arm("")
        if not self._armed:
            raise Refused(-211)
        self._armed, self._fired_at = False, self._bench.clock.now()
        if self._role == "meter":
            self._whole = self._bench.measure(self._role)

    def read(self, query: str) -> float:
        """The value a query reads; fetched ones all come from one measurement. Raises Refused (-230) when there is none."""
        served = [n for n, q in self._profile.quantities.items() if q.get == query]
        name = self._configured.get(query, served[0])
        if not self._profile.quantities[name].fetches:
            return measured(self._bench, self._role, name)
        if self._fired_at is None:
            raise Refused(-230)
        if name in ("frequency", "energy"):
            return measured(self._bench, self._role, name)
        if self._whole is None:
            self._whole = self._bench.measure(self._role, self._fired_at)
        return part_of(self._whole, name)
