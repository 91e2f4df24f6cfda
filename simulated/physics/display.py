"""The meter's display and its energy register: the circuit as the metering module shows it."""

from __future__ import annotations

import math
from collections.abc import Mapping

from instruments.waveforms import Instants, fundamental_of, unit_samples
from simulated.physics.circuit import BenchCircuit, midpoints
from simulated.physics.input_stage import InputStage
from simulated.physics.load import SETTLED_AFTER
from simulated.physics.module import Module, Shown

LONGEST_STEP = 5.0
"""Seconds over which power is taken as steady: the mains and the load wander more slowly."""


class MeterDisplay:
    """A display refreshed at fixed instants. `range_factors`: its own multiplier on each range. `energy_resolution` in joules, None without energy.

    `stage` is the module's input, which counts where the current is no sine. Its power is the product of voltage and current at every
    instant: of a current without direct part that is the power of the fundamental, whatever the display of current responds to.
    """

    def __init__(
        self,
        circuit: BenchCircuit,
        module: Module,
        stage: InputStage,
        range_factors: Mapping[str, float],
        energy_resolution: float | None,
    ) -> None:
        self._stage = stage
        self._circuit, self._module, self._factors = circuit, module, range_factors
        self._energy_resolution = energy_resolution
        self._energy = 0.0
        self._latched: tuple[int, Shown] | None = None

    def shown(self, time: float) -> Shown:
        slot = int(time // self._module.refresh_interval)
        if self._latched is None or self._latched[0] != slot:
            self._latched = (slot, self._shown_in(slot))
        return self._latched[1]

    def energy(self) -> float:
        """The register in joules of the base scale: whole steps, never shown before they are full."""
        resolution = self._energy_resolution or 1.0
        return math.floor(self._energy / resolution) * resolution

    def count_energy(self, start: float, end: float) -> None:
        """Count from `start` to `end`, between which nothing was changed. Below the smallest current nothing counts."""
        if self._energy_resolution is None:
            return
        time = start
        while time < end:
            settling = time < self._circuit.load.last_change() + SETTLED_AFTER
            step = min(self._module.refresh_interval if settling else LONGEST_STEP, end - time)
            measured, power = self._measured(time + step / 2)
            if measured >= self._module.smallest:
                self._energy += power * self.factor(time) * step
            time += step

    def _shown_in(self, slot: int) -> Shown:
        """The values latched at the beginning of `slot`: means over the interval before it."""
        end = slot * self._module.refresh_interval
        start = end - self._module.refresh_interval
        times = midpoints(start, end, 16 if self._circuit.unsteady(start, end) else 2)
        currents, powers = zip(*(self._measured(t) for t in times), strict=True)
        voltage = self._circuit.mains.voltage_at((start + end) / 2)
        mean = sum(currents) / len(times), sum(powers) / len(times)
        return self._module.everything_shown(*mean, voltage, slot, self.factor(end))

    def _measured(self, time: float) -> tuple[float, float]:
        """Current and power in the module, before noise, threshold and rounding."""
        circuit, module = self._circuit, self._module
        shaped = circuit.secondary_in_time(time)
        secondary = circuit.secondary_current(time) if shaped is None else self._fundamental(shaped, time)
        _, angle = circuit.fundamental(time)
        power = module.power(secondary, circuit.mains.voltage_at(time), angle)
        read = self._stage.reads_sine(abs(secondary)) if shaped is None else self._stage.reads(shaped)
        return module.measured(read), power

    def _fundamental(self, shaped: Instants, time: float) -> complex:
        """The fundamental of a secondary current, as a phasor against that of the primary current."""
        waveform = self._circuit.load.waveform_at(time)
        primary = fundamental_of(unit_samples(waveform), waveform.periods)
        return fundamental_of(shaped, waveform.periods) * abs(primary) / primary

    def factor(self, time: float) -> float:
        """The display's own multiplier on the range in circuit at `time`."""
        return self._factors.get(self._circuit.switch.position_at(time), 1.0)
