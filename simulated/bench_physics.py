"""The physics of a simulated bench: the one state behind every terminal.

Current flows from the load through the range switch and the primary winding (`circuit`); the transformer, its fuse
and the metering module turn it into what is displayed (`display`), other instruments into readings (`observers`). The
terminals (`scpi`, `modbus`) and a person (`turn_switch`, `displayed`) act only on this object.
"""

import math
import random
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from simulated.bench_faults import parse_fault
from simulated.description import BenchDescription, InstrumentDescription, ShelfDescription
from simulated.physics.assembly import check_links, input_stage_with, module_with, range_factors
from simulated.physics.circuit import BenchCircuit
from simulated.physics.display import MeterDisplay
from simulated.physics.load import SMALLEST_POWER_FACTOR, CurrentSource
from simulated.physics.module import Shown
from simulated.physics.multimeter import INTEGRATION_TIME
from simulated.physics.observers import Measured, observers
from simulated.physics.virtual_clock import BenchTime
from simulated.transports.link_faults import Schedule


@dataclass(frozen=True)
class Truth:
    """The true state of a bench, for tests and for users who want to compare. Currents in amperes.

    `turns` are the signed turns in circuit when a range is selected. `switched_under_load`: the contacts moved
    while more than 1 mA flowed.
    """

    peak_secondary_current: float
    secondary_fuse_intact: bool
    input_overdriven: bool
    load_on: bool
    primary_current: float
    switch_position: str
    switched_under_load: bool
    turns: dict[str, int]


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
        names = {fault.name for fault in self.faults}
        module = module_with(names, meter, description.seed)
        stage = input_stage_with(names, self._circuit.transformer.frequency, meter)
        self._display = MeterDisplay(self._circuit, module, stage, factors, meter.energy_resolution)

    def instrument(self, name: str) -> InstrumentDescription:
        """The instrument called `name`. Raises KeyError when there is none."""
        found = next((i for i in self.description.instruments if i.name == name), None)
        if found is None:
            raise KeyError(name)
        return found

    # What a person does

    def turn_switch(self, range_name: str) -> None:
        """Turn the range switch to `range_name`; empty: open every contact. Raises KeyError when there is no such range."""
        if range_name and range_name not in self._circuit.turns:
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
            self._circuit.load.set_waveform(load.waveform, now)
            self._circuit.load.set_current(current * self._load_spread, now)
            self._circuit.load.set_output(current > 0, now)
            self._circuit.follow(now)

    def shown(self, at: float | None = None) -> Shown:
        """All the meter's display shows now, or showed at a past time of the clock; takes no time."""
        with self._lock:
            now = self._advance()
            return self._display.shown(now if at is None else at)

    def displayed_energy(self) -> float:
        """The meter's energy register in joules of the base scale."""
        with self._lock:
            self._advance()
            return self._display.energy()

    # What the terminals do

    def claimed_position(self) -> str:
        """The range the switch says it is in; empty when open."""
        return self._circuit.switch.claimed

    @property
    def load(self) -> CurrentSource:
        """The load, to look at; it is changed by `change_load`."""
        return self._circuit.load

    def change_load(self, action: Callable[[CurrentSource, float], None]) -> None:
        """Call `action` with the load and the present time. Raises load.Refused."""
        with self._lock:
            now = self._advance()
            action(self._circuit.load, now)
            self._circuit.follow(now)

    def set_output(self, on: bool) -> None:
        self.change_load(lambda load, now: load.set_output(on, now))

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

    def configure(self, part: str, expected: float) -> None:
        """Choose the range of the instrument playing `part`, if it has ranges, for `expected`, in its own unit. Raises load.Refused."""
        with self._lock:
            if part in self._observers:
                self._observers[part].configure(expected)

    def reset(self, part: str) -> None:
        """Do the *RST of an instrument that only reads."""
        with self._lock:
            if part in self._observers:
                self._observers[part].reset()

    def measure(self, part: str, started: float | None = None) -> Measured:
        """The measurement of the instrument playing `part`, begun at `started` or now.

        It takes an integration time, except that the meter shows what it shows, and the load knows what it delivers.
        """
        if part == "meter":
            shown = self.shown()
            phase = math.degrees(math.acos(shown.power_factor))
            return Measured(shown.current, shown.voltage, shown.power, shown.power_factor, phase)
        start = self.clock.now() if started is None else started
        if part in self._observers:
            self.clock.sleep(start + INTEGRATION_TIME - self.clock.now())
        with self._lock:
            now = self._advance()
            if part in self._observers:
                return self._observers[part].reading(self._circuit.seen(start, start + INTEGRATION_TIME))
            factor = self.load.power_factor
            return Measured(
                self._circuit.flowing(now),
                self._circuit.mains.voltage_at(now),
                self._circuit.power(now),
                factor,
                math.degrees(math.acos(abs(factor))),
            )

    def read_reference(self) -> float:
        """The current the reference reads now, in its own unit."""
        found = self.measure("reference")
        return found.voltage if self.description.reference_path.in_volts else found.current

    # What really is

    def mean_current(self, start: float, end: float) -> float:
        """Mean primary current in amperes from `start` to `end` (seconds of the clock, past)."""
        with self._lock:
            return self._circuit.mean_current(start, end)

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
