"""The physics of a simulated bench: the one state behind every terminal.

Current flows from the load through the range switch and the primary winding (`circuit`); the transformer, its fuse
and the metering module turn it into what is displayed (`display`), other instruments into readings (`observers`). The
terminals (`scpi`, `modbus`) and a person (`turn_switch`, `displayed`) act only on this object.
"""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Callable, Mapping

from simulated.bench_faults import parse_fault
from simulated.description import BenchDescription, BenchPart, InstrumentDescription, ShelfDescription
from simulated.physics.assembly import check_links, module_with, range_factors
from simulated.physics.circuit import BenchCircuit
from simulated.physics.clock import BenchTime
from simulated.physics.display import MeterDisplay
from simulated.physics.load import SMALLEST_POWER_FACTOR, CurrentSource
from simulated.physics.module import Shown
from simulated.physics.multimeter import INTEGRATION_TIME
from simulated.physics.observers import Measured, observers
from simulated.physics.truth import Truth
from simulated.transports.link_faults import Schedule


class BenchPhysics:
    """The bench described by `description`, in the time of `clock`. Thread-safe.

    `late_reply_delay` is in seconds; `schedules`: faults of links, by the instruments' names. Raises ValueError for an unknown or impossible fault.
    """

    def __init__(
        self,
        description: BenchDescription,
        clock: BenchTime,
        late_reply_delay: float = 4.0,
        schedules: Mapping[str, Schedule] | None = None,
    ) -> None:
        self.description = description
        self.clock = clock
        self.schedules = dict(schedules or {})
        self.late_reply_delay = late_reply_delay
        self.faults = tuple(parse_fault(text, description.meter) for text in description.faults)
        meter = description.meter
        check_links(description, self.faults)
        self._lock = threading.RLock()
        self._watching, self._watchdog_waits, self._watchdog_fed = False, 10.0, 0.0
        self._circuit = BenchCircuit(description, self.faults, clock.now())
        # The current marked on a lamp or a heater is not quite what it draws.
        self._load_spread = random.Random(f"{description.seed} shelf").uniform(0.95, 1.05)
        self._observers = observers(description)
        scaled = next((f.range for f in self.faults if f.name == "display-factor-forgotten"), "")
        factors = range_factors(meter, scaled)
        module = module_with({fault.name for fault in self.faults}, meter, description.seed)
        self._display = MeterDisplay(self._circuit, module, factors, meter.energy_resolution)

    def entry(self, role: BenchPart) -> InstrumentDescription:
        """The instrument playing `role`. Raises ValueError when the description has none."""
        found = next((i for i in self.description.instruments if i.role == role), None)
        if found is None:
            raise ValueError(f"the description has no instrument for the role {role!r}")
        return found

    def instrument(self, name: str) -> InstrumentDescription:
        """The instrument called `name`. Raises KeyError when there is none."""
        found = next((i for i in self.description.instruments if i.name == name), None)
        if found is None:
            raise KeyError(name)
        return found

    # What a person does

    def turn_switch(self, range_name: str) -> None:
        """Turn the range switch to `range_name`. Raises KeyError when there is no such range."""
        if range_name not in self._circuit.turns:
            raise KeyError(range_name)
        with self._lock:
            self._circuit.turn_switch(range_name, self._advance())

    def plug(self, current: float) -> None:
        """Plug in the load on the shelf that draws about `current` amperes, or unplug it (0).

        Its power factor is as in the shelf's description; 1 for a load that is not on it.
        """
        shelf = next((i.shelf for i in self.description.instruments if i.role == "load"), ())
        load = next((s for s in shelf if s.current == current), ShelfDescription(current))
        with self._lock:
            now = self._advance()
            self._circuit.load.set_power_factor(self._kept(load), now)
            self._circuit.load.set_current(current * self._load_spread, now)
            self._circuit.load.set_output(current > 0, now)
            self._circuit.follow(now)

    def displayed(self) -> float:
        """The current the meter's display shows now, in amperes of the base scale; takes no time."""
        return self.shown().current

    def shown(self) -> Shown:
        """All the meter's display shows now; takes no time."""
        with self._lock:
            return self._display.shown(self._advance())

    def displayed_energy(self) -> float:
        """The meter's energy register in joules of the base scale."""
        with self._lock:
            self._advance()
            return self._display.energy()

    # What the terminals do

    def open_switch(self) -> None:
        with self._lock:
            self._circuit.open_switch(self._advance())

    def claimed_position(self) -> str:
        """The range the switch says it is in; empty when open."""
        return self._circuit.switch.claimed

    def set_current(self, current: float) -> None:
        """Program the load, in amperes. Raises load.Refused."""
        self._set_load(lambda load, now: load.set_current(current, now))

    def programmed_current(self) -> float:
        """The load's setpoint in amperes."""
        return self._circuit.load.setpoint

    def set_protection(self, limit: float) -> None:
        """Set the load's protection limit in amperes. Raises load.Refused."""
        self._set_load(lambda load, _: load.set_protection(limit))

    def protection(self) -> float:
        """The load's protection limit in amperes."""
        return self._circuit.load.protection

    def set_output(self, on: bool) -> None:
        self._set_load(lambda load, now: load.set_output(on, now))

    def arm_watchdog(self, seconds: float | None = None) -> None:
        """Set the waiting time of the load's watchdog to `seconds`, without it as before; restarts the wait."""
        with self._lock:
            self._watchdog_waits = seconds if seconds is not None else self._watchdog_waits
            self._watchdog_fed = self.clock.now()

    def watch(self, on: bool) -> None:
        with self._lock:
            self._watching, self._watchdog_fed = on, self.clock.now()

    def look_at_watchdog(self) -> None:
        """Switch the output off when it was not fed in time. Only for a bench on real transports: the time of a twin jumps."""
        with self._lock:
            if self._watching and self.clock.now() - self._watchdog_fed > self._watchdog_waits:
                self.set_output(False)

    def output_on(self) -> bool:
        return self._circuit.load.on

    def reset_load(self) -> None:
        self._set_load(lambda load, now: load.reset(now))

    def set_power_factor(self, power_factor: float) -> None:
        """Set the load's power factor, negative for a leading current. Raises load.Refused (-222)."""
        self._set_load(lambda load, now: load.set_power_factor(power_factor, now))

    def power_factor(self) -> float:
        return self._circuit.load.power_factor

    def configure(self, part: str, expected: float) -> None:
        """Choose the range of the instrument playing `part` for `expected`, in its own unit. Raises load.Refused."""
        with self._lock:
            self._observers[part].configure(expected)

    def configure_reference(self, expected: float) -> None:
        """Choose the reference's scale for `expected`, in its own unit. Raises load.Refused."""
        self.configure("reference", expected)

    def reset(self, part: str) -> None:
        """Do the *RST of an instrument that only reads."""
        with self._lock:
            self._observers[part].reset()

    def measure(self, part: str, started: float | None = None) -> Measured:
        """The measurement of the instrument playing `part`, begun at `started` or now; ready after its integration time.

        Parts: reference, secondary, voltage, check_standard. Raises KeyError when nothing plays it.
        """
        start = self.clock.now() if started is None else started
        self.clock.sleep(start + INTEGRATION_TIME - self.clock.now())
        with self._lock:
            self._advance()
            return self._observers[part].reading(self._circuit.seen(start, start + INTEGRATION_TIME))

    def read_reference(self, started: float | None = None) -> float:
        """The current the reference reads, in its own unit, begun at `started` or now."""
        found = self.measure("reference", started)
        return found.voltage if self.description.reference_path.in_volts else found.current

    # What really is

    def mean_current(self, start: float, end: float) -> float:
        """Mean primary current in amperes from `start` to `end` (seconds of the clock, past)."""
        with self._lock:
            return self._circuit.mean_current(start, end)

    def displays_between(self, start: float, end: float) -> list[float]:
        """Every current the display showed from `start` to `end` (seconds of the clock, past)."""
        with self._lock:
            return [shown.current for shown in self._display.shown_between(start, end)]

    def truth(self) -> Truth:
        with self._lock:
            now, circuit = self._advance(), self._circuit
            circuit.note_peak(now)
            peak = abs(circuit.transformer.secondary_current(circuit.peak_ampere_turns))
            return Truth(
                peak_secondary_current=peak,
                secondary_fuse_intact=now < circuit.melted_at,
                input_overdriven=peak > self.description.meter.maximum_secondary_current,
                load_on=circuit.load.on,
                primary_current=circuit.flowing(now),
                switch_position=circuit.switch.position_at(now),
                switched_under_load=circuit.switched_under_load,
                turns={name: circuit.turns[circuit.stuck_in or name] for name in circuit.turns},
            )

    def true_voltage(self, time: float) -> float:
        """Volts at the load at `time` (seconds of the clock)."""
        return self._circuit.mains.voltage_at(time)

    def true_power(self, time: float) -> float:
        """Active power in the load at `time` (seconds of the clock), in watts."""
        with self._lock:
            return self._circuit.power(time)

    def _set_load(self, action: Callable[[CurrentSource, float], None]) -> None:
        with self._lock:
            now = self._advance()
            action(self._circuit.load, now)
            self._circuit.follow(now)

    def _kept(self, load: ShelfDescription) -> float:
        """The power factor a load on the shelf really has."""
        draw = random.Random(f"{self.description.seed} shelf {load.current}")
        deviation = draw.gauss(0.0, self.description.share_of_claim * load.uncertainty / 2)
        magnitude = max(SMALLEST_POWER_FACTOR, min(1.0, abs(load.power_factor) + deviation))
        return math.copysign(magnitude, load.power_factor)

    def _advance(self) -> float:
        """Advance the states with memory up to now; return the present time."""
        start, now = self._circuit.advance(self.clock.now())
        self._display.count_energy(start, now)
        return now
