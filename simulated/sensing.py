"""What the instruments of a simulated bench measure: current from its physics, the rest from the current and constants."""

from __future__ import annotations

import math

from instruments.profile import Profile
from simulated.bench import SimulatedBench
from simulated.load import Refused

MAINS_VOLTAGE = 230.0
"""Volts at the load, the nominal voltage of IEC 60038; nothing on the bench depends on it, so it does not move."""
TEMPERATURE, RELATIVE_HUMIDITY = 23.0, 45.0
"""In degC and %: the air in which a calibration laboratory works; common practice, no published source."""


def measured(bench: SimulatedBench, role: str, name: str, started: float | None = None) -> float:
    """The quantity `name` as the instrument playing `role` sees it, in the unit of a profile.

    A reference takes its integration time, from `started` or from now. Raises Refused for an unknown quantity.
    """
    needs_current = name in ("current", "power", "apparent_power", "reactive_power", "power_factor")
    return derived(bench, name, _current(bench, role, started) if needs_current else 0.0)


def derived(bench: SimulatedBench, name: str, current: float) -> float:
    """The quantity `name` where `current` was measured. Raises Refused (-221) for an unknown quantity."""
    power_factor = bench.power_factor()
    apparent = MAINS_VOLTAGE * abs(current)
    values = {
        "current": current,
        "voltage": MAINS_VOLTAGE,
        "power": apparent * power_factor,
        "apparent_power": apparent,
        "reactive_power": apparent * math.sqrt(1.0 - power_factor**2),
        # Meters show 1 while nothing flows; common practice, no published source.
        "power_factor": power_factor if current else 1.0,
        "frequency": bench.description.meter.frequency,
        "phase": math.degrees(math.acos(power_factor)),
        "temperature": TEMPERATURE,
        "relative_humidity": RELATIVE_HUMIDITY,
    }
    if name not in values:
        raise Refused(-221)
    return values[name]


def _current(bench: SimulatedBench, role: str, started: float | None) -> float:
    if role == "reference":
        return bench.read_reference(started)
    return bench.displayed() if role == "meter" else bench.truth().primary_current


class Sensing:
    """A multimeter, analyser, meter or sensor: which quantity a query reads, and when it was measured."""

    def __init__(self, bench: SimulatedBench, role: str, profile: Profile) -> None:
        self._bench, self._role, self._profile = bench, role, profile
        self._configured: dict[str, str] = {}
        self._armed = False
        self._fired_at: float | None = None
        self._current: float | None = None

    def configure(self, name: str, text: str) -> None:
        """From now on the query of `name` reads `name`; the reference goes to the range for `text`. Raises Refused."""
        if self._role == "reference" and name == "current" and text:
            self._bench.configure_reference(float(text))
        self._configured[self._profile.quantities[name].get] = name

    def arm(self, _: str) -> None:
        """Wait for a trigger; what was measured before is no longer there (SCPI-99, error -230)."""
        self._armed, self._fired_at, self._current = True, None, None

    def fire(self, _: str) -> None:
        """Begin a measurement. Raises Refused (-211) when nothing waits for it."""
        trigger = self._profile.trigger
        if trigger is not None and not trigger.arm:
            self.arm("")
        if not self._armed:
            raise Refused(-211)
        self._armed, self._fired_at = False, self._bench.clock.now()
        if self._role == "meter":
            self._current = self._bench.displayed()

    def read(self, query: str) -> float:
        """The value a query reads; fetched ones all come from one measurement. Raises Refused (-230) when there is none."""
        served = [n for n, q in self._profile.quantities.items() if q.get == query]
        name = self._configured.get(query, served[0])
        if not self._profile.quantities[name].fetches:
            return measured(self._bench, self._role, name)
        if self._fired_at is None:
            raise Refused(-230)
        if self._current is None:
            self._current = _current(self._bench, self._role, self._fired_at)
        return derived(self._bench, name, self._current)
