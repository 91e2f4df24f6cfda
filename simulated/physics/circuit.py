"""The circuit: mains, load, range switch, primary winding, transformer and its fuse, as functions of time.

Currents in amperes (rms), voltages in volts (rms), times in seconds, angles in radians; an angle is positive where
the current lags the voltage.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from instruments.waveform_names import SINE, SINE_CREST_FACTOR, Waveform
from instruments.waveforms import Instants, crest_factor_of, effective_value, fundamental_part, unit_samples
from simulated.bench_faults import ActiveFault
from simulated.description import BenchDescription
from simulated.physics.assembly import FUSE_RESISTANCE, current_source, transformer_with
from simulated.physics.load import SETTLED_AFTER
from simulated.physics.mains import Mains
from simulated.physics.module import Fuse
from simulated.physics.range_switch import RangeSwitch, signed_turns
from simulated.physics.shaped_secondary import ShapedSecondary
from simulated.physics.warming import TEMPERATURE_COEFFICIENT, Warming


@dataclass(frozen=True)
class Seen:
    """Mean quantities of the circuit over some time, for the instruments in it. `secondary` is 0 where none measures it.

    `fundamental`: the part of the primary current that makes power with a sinusoidal voltage, which lags by `angle`.
    """

    primary: float
    secondary: float
    voltage: float
    angle: float
    waveform: Waveform = SINE
    fundamental: float = 1.0


class BenchCircuit:
    """The circuit of the bench of `description` with `faults`, beginning at `start`."""

    def __init__(self, description: BenchDescription, faults: Sequence[ActiveFault], start: float) -> None:
        meter, names = description.meter, {fault.name for fault in faults}
        self.load = current_source(description, ignores_off="load-ignores-off" in names)
        self.mains = Mains(description.seed)
        self.turns = signed_turns(meter.ranges, faults)
        self.stuck_in = next((f.range for f in faults if f.name == "switch-left-in-another-position"), "")
        self.switch = RangeSwitch(meter.ranges[0].name, self.stuck_in)
        self.supply_current = sum(fault.current for fault in faults)
        transformer = transformer_with(names, meter)
        in_the_loop = [i.burden for i in description.instruments if i.role == "secondary"]
        self.transformer = replace(transformer, burden=transformer.burden + sum(in_the_loop))
        self._shaped = ShapedSecondary(self.transformer)
        self._secondary_is_seen = bool(in_the_loop)
        self.switched_under_load = False
        self.melted_at = math.inf
        self.peak_ampere_turns = 0.0
        self.warming = Warming(meter.rated_secondary_current * meter.secondary_turns)
        self._fuse = Fuse(meter.secondary_fuse, FUSE_RESISTANCE) if meter.secondary_fuse else None
        self._melted_part = 0.0
        self._advanced_to = start

    # What changes it

    def turn_switch(self, range_name: str, time: float) -> None:
        self.switched_under_load |= self.flowing(time) > 1e-3
        self.switch.move(range_name, time)
        self.note_peak(time)
        self.follow(time)

    def follow(self, time: float) -> None:
        position = self.switch.position_at(time)
        turns = self.turns[position] if position else 0
        self.warming.follow(turns * self.load.target(), time)

    def advance(self, now: float) -> tuple[float, float]:
        """Let fuse and peak follow the current since the last call; return start and end of the time passed.

        Nothing changed in between, since every change comes through here first.
        """
        start, self._advanced_to = self._advanced_to, max(now, self._advanced_to)
        if now <= start:
            return now, now
        highest = max(self.note_peak(start), self.note_peak(now))
        if self._fuse is not None and highest / self.transformer.secondary_turns > 1.5 * self._fuse.rating:
            self._heat_fuse(self._fuse, start, now)
        return start, now

    def note_peak(self, time: float) -> float:
        """The ampere-turns at `time`, without sign. What is kept is the largest so far, as those of a sine of the same peak."""
        magnitude = abs(self.ampere_turns(time))
        if time < self.melted_at:
            waveform = self.load.waveform_at(time)
            steeper = 1.0 if waveform.sinusoidal else crest_factor_of(unit_samples(waveform)) / SINE_CREST_FACTOR
            self.peak_ampere_turns = max(self.peak_ampere_turns, magnitude * steeper)
        return magnitude

    # What flows

    def flowing(self, time: float) -> float:
        """Primary current; none when the switch is open."""
        return self.load.current_at(time) if self.switch.position_at(time) else 0.0

    def ampere_turns(self, time: float) -> float:
        position = self.switch.position_at(time)
        return self.turns[position] * (self.load.current_at(time) + self.supply_current) if position else 0.0

    def secondary_current(self, time: float) -> complex:
        """Secondary current as a phasor against the primary current; none once the fuse has melted."""
        if time >= self.melted_at:
            return 0j
        ampere_turns = self.ampere_turns(time)
        return math.copysign(1.0, ampere_turns) * self.transformer.secondary_current(
            abs(ampere_turns), self._warmed(time)
        )

    def secondary_in_time(self, time: float) -> Instants | None:
        """Secondary current (n,) through its periods at `time`; None where it is a sine, or none flows, and the phasor says all."""
        waveform, ampere_turns = self.load.waveform_at(time), self.ampere_turns(time)
        if waveform.sinusoidal or time >= self.melted_at or ampere_turns == 0.0:
            return None
        return self._shaped.current(waveform, ampere_turns, self._warmed(time))

    def _warmed(self, time: float) -> float:
        """Ohms that the copper has gained by `time`."""
        return self.transformer.winding_resistance * TEMPERATURE_COEFFICIENT * self.warming.rise_at(time)

    def _effective_secondary(self, time: float) -> float:
        shaped = self.secondary_in_time(time)
        return abs(self.secondary_current(time)) if shaped is None else effective_value(shaped)

    def fundamental(self, time: float) -> tuple[float, float]:
        """The part of the primary current that is its fundamental, and the angle by which that lags; of a sine the whole.

        The load has the power factor that was set, as far as its waveform allows one: with a sinusoidal voltage the fundamental alone makes power
        (IEEE Std 1459, 3.1.2: power factor is the fundamental's part of the current times the cosine of its angle).
        """
        waveform, angle = self.load.waveform_at(time), self.load.angle_at(time)
        if waveform.sinusoidal:
            return 1.0, angle
        part = fundamental_part(waveform)
        return part, math.copysign(math.acos(min(1.0, math.cos(angle) / part)), angle)

    def power(self, time: float) -> float:
        """Active power in the load, in watts."""
        part, angle = self.fundamental(time)
        return self.mains.voltage_at(time) * self.flowing(time) * part * math.cos(angle)

    def mean_current(self, start: float, end: float) -> float:
        times = midpoints(start, end, 8 if self.load.changed_since(start - SETTLED_AFTER) else 2)
        return sum(self.flowing(t) for t in times) / len(times)

    def seen(self, start: float, end: float) -> Seen:
        middle = (start + end) / 2
        secondary = 0.0
        if self._secondary_is_seen:
            times = midpoints(start, end, 8 if self.unsteady(start, end) else 2)
            secondary = sum(self._effective_secondary(t) for t in times) / len(times)
        part, angle = self.fundamental(middle)
        return Seen(
            primary=self.mean_current(start, end),
            secondary=secondary,
            voltage=self.mains.voltage_at(middle),
            angle=angle,
            waveform=self.load.waveform_at(middle),
            fundamental=part,
        )

    def unsteady(self, start: float, end: float) -> bool:
        """Whether anything changed or was settling from `start` to `end`."""
        changed = self.load.changed_since(start - SETTLED_AFTER) or self.switch.moved_since(start)
        return changed or start < self.melted_at < end

    def _heat_fuse(self, fuse: Fuse, start: float, end: float) -> None:
        time = start
        while time < min(end, self.melted_at):
            settling = time < self.load.last_change() + SETTLED_AFTER
            step = min(0.005 if settling else 0.1, end - time)
            current = self._effective_secondary(time + step / 2)
            self._melted_part += step / fuse.melting_time(current)
            time += step
            if self._melted_part >= 1.0:
                self.melted_at = time


def midpoints(start: float, end: float, count: int) -> list[float]:
    """The middles of `count` equal parts of the time from `start` to `end`."""
    width = (end - start) / count
    return [start + (i + 0.5) * width for i in range(count)]
