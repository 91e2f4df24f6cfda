"""The simulated bench: one stateful piece of physics behind every terminal.

Current flows from the load through the range switch and the primary winding; the transformer, its fuse and the
metering module turn it into a displayed value, the reference multimeter into a reading. The terminals (`scpi`,
`modbus`) and a person (`turn_switch`, `displayed`) act on this object and nothing else.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from simulated.assembly import (
    check_links,
    current_source,
    module_with,
    range_factors,
    secondary_fuse,
    transformer_with,
)
from simulated.clock import Clock
from simulated.description import BenchDescription, InstrumentDescription
from simulated.faults import parse_fault
from simulated.load import SETTLED_AFTER, Refused
from simulated.module import Fuse
from simulated.multimeter import INTEGRATION_TIME, Multimeter
from simulated.relay import RangeSwitch
from simulated.winding import signed_turns

if TYPE_CHECKING:
    from simulated.hostile import Schedule
    from simulated.terminals import Terminal


@dataclass(frozen=True)
class Truth:
    """What really happened on the bench, for tests and for whoever wants to know. Currents in amperes.

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

    def true_turns(self, range_name: str) -> int:
        """Signed primary turns carrying the current when `range_name` is selected."""
        return self.turns[range_name]


class SimulatedBench:
    """The bench described by `description`, living in the time of `clock`. Safe to use from several threads.

    `late_reply_delay` is in seconds; `schedules` say, by the instruments' names, whose links are hostile. Raises ValueError for an unknown or impossible fault.
    """

    def __init__(
        self,
        description: BenchDescription,
        clock: Clock,
        late_reply_delay: float = 4.0,
        schedules: Mapping[str, Schedule] | None = None,
    ) -> None:
        self.description = description
        self.clock = clock
        self.schedules = dict(schedules or {})
        self.late_reply_delay = late_reply_delay
        self.faults = tuple(parse_fault(text, description.meter) for text in description.faults)
        meter, seed, names = description.meter, description.seed, {fault.name for fault in self.faults}
        check_links(description, self.faults)
        self._lock = threading.RLock()
        self._load = current_source(description, ignores_off="load-ignores-off" in names)
        # What is written on a lamp or a heater is not quite what it draws.
        self._load_spread = random.Random(f"{description.seed} shelf").uniform(0.95, 1.05)
        self._multimeter = Multimeter(self.entry("reference").scales, seed)
        self._turns = signed_turns(meter.ranges, self.faults)
        stuck_in = self._range_of("switch-left-in-another-position")
        self._switch = RangeSwitch(meter.ranges[0].name, stuck_in)
        self._stuck_in = stuck_in
        self._supply_current = sum(fault.current for fault in self.faults)
        self._factors = range_factors(meter, self._range_of("display-factor-forgotten"))
        self._transformer = transformer_with(names, meter)
        self._module = module_with(names, meter, seed)
        self._fuse = secondary_fuse(meter)
        self._melted_at = float("inf")
        self._melted_part = 0.0
        self._peak_ampere_turns = 0.0
        self._switched_under_load = False
        self._advanced_to = clock.now()
        self._slot: tuple[int, float] = (-1, 0.0)
        self._power_factor = 1.0
        self._terminals: dict[str, Terminal] = {}

    def entry(self, role: Literal["load", "reference", "meter", "switch"]) -> InstrumentDescription:
        """The instrument playing `role`. Raises ValueError when the description has none."""
        found = next((i for i in self.description.instruments if i.role == role), None)
        if found is None:
            raise ValueError(f"the description has no instrument for the role {role!r}")
        return found

    def terminal(self, name: str) -> Terminal:
        """What the instrument called `name` answers with, the same for all its connections.

        Raises KeyError when there is no such instrument, terminals.UnsupportedInstrument when it has no terminal.
        """
        from simulated.terminals import terminal  # the terminals act on this class

        with self._lock:
            if name not in self._terminals:
                self._terminals[name] = terminal(self, self.instrument(name))
            return self._terminals[name]

    def instrument(self, name: str) -> InstrumentDescription:
        """The description of the instrument called `name`. Raises KeyError when there is none."""
        found = next((i for i in self.description.instruments if i.name == name), None)
        if found is None:
            raise KeyError(name)
        return found

    # What a person does

    def turn_switch(self, range_name: str) -> None:
        """Turn the range switch to `range_name`. Raises KeyError when there is no such range."""
        if range_name not in self._turns:
            raise KeyError(range_name)
        with self._lock:
            now = self._advance()
            self._switched_under_load |= self._flowing(now) > 1e-3
            self._switch.move(range_name, now)
            self._note_peak(now)

    def plug(self, current: float) -> None:
        """Plug in a load that draws about `current` amperes, or unplug it (0)."""
        with self._lock:
            now = self._advance()
            self._load.set_current(current * self._load_spread, now)
            self._load.set_output(current > 0, now)

    def displayed(self) -> float:
        """What the meter's display shows now, in amperes of the base scale; takes no time."""
        with self._lock:
            now = self._advance()
            slot = int(now // self._module.refresh_interval)
            if slot != self._slot[0]:
                self._slot = (slot, self._displayed_in(slot))
            return self._slot[1]

    # What the terminals do

    def open_switch(self) -> None:
        """Open every contact of the range switch."""
        with self._lock:
            now = self._advance()
            self._switched_under_load |= self._flowing(now) > 1e-3
            self._switch.open(now)

    def claimed_position(self) -> str:
        """The range the switch says it is in; empty when open."""
        return self._switch.claimed

    def set_current(self, current: float) -> None:
        """Program the load, in amperes. Raises load.Refused."""
        with self._lock:
            self._load.set_current(current, self._advance())

    def programmed_current(self) -> float:
        """The load's setpoint in amperes."""
        return self._load.setpoint

    def set_protection(self, limit: float) -> None:
        """Set the load's protection limit in amperes. Raises load.Refused."""
        with self._lock:
            self._load.set_protection(limit)

    def protection(self) -> float:
        """The load's protection limit in amperes."""
        return self._load.protection

    def set_output(self, on: bool) -> None:
        """Switch the load's output."""
        with self._lock:
            self._load.set_output(on, self._advance())

    def output_on(self) -> bool:
        """Whether the load's output is on."""
        return self._load.on

    def reset_load(self) -> None:
        """The load's *RST."""
        with self._lock:
            self._load.reset(self._advance())
            self._power_factor = 1.0

    def configure_reference(self, expected: float) -> None:
        """Choose the reference's scale for `expected`, in its own unit. Raises load.Refused."""
        with self._lock:
            self._multimeter.configure(expected)

    def reset_reference(self) -> None:
        """The reference's *RST."""
        with self._lock:
            self._multimeter.reset()

    def set_power_factor(self, power_factor: float) -> None:
        """Set the load's power factor; lagging. Raises load.Refused (-222) outside 0 to 1."""
        if not 0.0 <= power_factor <= 1.0:
            raise Refused(-222)
        self._power_factor = power_factor

    def power_factor(self) -> float:
        """The load's power factor."""
        return self._power_factor

    def read_reference(self, started: float | None = None) -> float:
        """A reading of the reference, in its own unit, begun at `started` or now; there when its integration time is over."""
        start = self.clock.now() if started is None else started
        self.clock.sleep(start + INTEGRATION_TIME - self.clock.now())
        with self._lock:
            self._advance()
            current = self._mean_current(start, start + INTEGRATION_TIME)
            return self._multimeter.reading(current / self.description.reference_factor)

    # What really is

    def mean_current(self, start: float, end: float) -> float:
        """Primary current in amperes, on the average from `start` to `end` (seconds of the clock, past)."""
        with self._lock:
            return self._mean_current(start, end)

    def displays_between(self, start: float, end: float) -> list[float]:
        """Every value the display showed from `start` to `end` (seconds of the clock, past)."""
        interval = self._module.refresh_interval
        with self._lock:
            return [self._displayed_in(slot) for slot in range(int(start // interval), int(end // interval) + 1)]

    def truth(self) -> Truth:
        """What really happened up to now."""
        with self._lock:
            now = self._advance()
            self._note_peak(now)
            peak = abs(self._transformer.secondary_current(self._peak_ampere_turns))
            return Truth(
                peak_secondary_current=peak,
                secondary_fuse_intact=now < self._melted_at,
                input_overdriven=peak > self.description.meter.maximum_secondary_current,
                load_on=self._load.on,
                primary_current=self._flowing(now),
                switch_position=self._switch.position_at(now),
                switched_under_load=self._switched_under_load,
                turns={name: self._turns[self._stuck_in or name] for name in self._turns},
            )

    def true_ratio_error(self, range_name: str, current: float) -> float:
        """Ratio error (a fraction) of the indicated current at `current` amperes when `range_name` is selected.

        Without noise, resolution and threshold.
        """
        actual = self._stuck_in or range_name
        ampere_turns = abs(self._turns[actual]) * (current + self._supply_current)
        measured = self._module.measured(abs(self._transformer.secondary_current(ampere_turns)))
        described = next(r for r in self.description.meter.ranges if r.name == range_name)
        return measured * self._factors[actual] * described.display_factor / current - 1.0

    # Physics

    def _range_of(self, name: str) -> str:
        return next((fault.range for fault in self.faults if fault.name == name), "")

    def _flowing(self, time: float) -> float:
        """Primary current in amperes; none when the switch is open."""
        return self._load.current_at(time) if self._switch.position_at(time) else 0.0

    def _ampere_turns(self, time: float) -> float:
        position = self._switch.position_at(time)
        turns = abs(self._turns[position]) if position else 0
        return turns * (self._flowing(time) + self._supply_current)

    def _mean_current(self, start: float, end: float) -> float:
        times = _midpoints(start, end, 8 if self._load.changed_since(start - SETTLED_AFTER) else 2)
        return sum(self._flowing(t) for t in times) / len(times)

    def _displayed_in(self, slot: int) -> float:
        """The value latched at the beginning of `slot`: the mean over the interval before it."""
        end = slot * self._module.refresh_interval
        start = end - self._module.refresh_interval
        unsteady = self._load.changed_since(start - SETTLED_AFTER) or self._switch.moved_since(start)
        times = _midpoints(start, end, 16 if unsteady or self._melted_at > start else 2)
        measured = sum(self._module.measured(self._secondary_current(t)) for t in times) / len(times)
        factor = self._factors.get(self._switch.position_at(end), 1.0)
        return self._module.shown(measured, slot, factor)

    def _secondary_current(self, time: float) -> float:
        if time >= self._melted_at:
            return 0.0
        return abs(self._transformer.secondary_current(self._ampere_turns(time)))

    def _advance(self) -> float:
        """Let the fuse and the peak follow what flowed since the last call; returns the present time.

        Nothing changed in between, since every change comes through here first.
        """
        now = self.clock.now()
        start, self._advanced_to = self._advanced_to, max(now, self._advanced_to)
        if now <= start:
            return now
        self._note_peak(start)
        self._note_peak(now)
        highest = max(self._ampere_turns(start), self._ampere_turns(now))
        if self._fuse is not None and highest / self._transformer.secondary_turns > 1.5 * self._fuse.rating:
            self._heat_fuse(self._fuse, start, now)
        return now

    def _heat_fuse(self, fuse: Fuse, start: float, end: float) -> None:
        time = start
        while time < min(end, self._melted_at):
            settling = time < self._load.last_change() + SETTLED_AFTER
            step = min(0.005 if settling else 0.1, end - time)
            current = self._secondary_current(time + step / 2)
            self._melted_part += step / fuse.melting_time(current)
            time += step
            if self._melted_part >= 1.0:
                self._melted_at = time

    def _note_peak(self, time: float) -> None:
        if time < self._melted_at:
            self._peak_ampere_turns = max(self._peak_ampere_turns, self._ampere_turns(time))


def _midpoints(start: float, end: float, count: int) -> list[float]:
    width = (end - start) / count
    return [start + (i + 0.5) * width for i in range(count)]
