"""What benches of many seeds read on one and the same course, all at once and without protocols.

A course is what one run did to its bench, and when it read. Seeds differ in what they read then: the load's error and wander, the
errors and the noise of reference, path and display. The formulas are those of `circuit`, `display`, `multimeter` and `module`
with arrays in place of numbers; a run through protocols is what tests compare them with.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simulated.description import BenchDescription, ScaleDescription
from simulated.physics.assembly import current_source, module_with, reference_reads
from simulated.physics.circuit import BenchCircuit, midpoints
from simulated.physics.first_order import FirstOrderStep
from simulated.physics.load import SETTLED_AFTER, SETTLING_TIME_CONSTANT
from simulated.physics.many_currents import Reals, secondary_currents
from simulated.physics.module import Module
from simulated.physics.multimeter import INTEGRATION_TIME, OVERRANGE, Multimeter
from simulated.physics.observers import Measured
from simulated.physics.true_path import TruePath, path_as_it_is
from simulated.physics.virtual_clock import BenchTime
from simulated.physics.warming import TEMPERATURE_COEFFICIENT, TIME_CONSTANT
from simulated.simulated_bench import SimulatedBench


@dataclass(frozen=True)
class ReferenceRead:
    """A reading of the reference from `began` to `at` seconds of the clock, on `scale`: the mean of the current at `times`."""

    began: float
    at: float
    scale: ScaleDescription
    times: tuple[float, ...]


@dataclass(frozen=True)
class DisplayRead:
    """A look at the display at `at` seconds: it shows the mean over `times` since its refresh `slot`, with the noise of that."""

    at: float
    slot: int
    times: tuple[float, ...]


class FollowedBench(SimulatedBench):
    """A bench that keeps when its reference and its display were read."""

    def __init__(self, description: BenchDescription, clock: BenchTime) -> None:
        super().__init__(description, clock)
        self.references: list[ReferenceRead] = []
        self.displays: list[DisplayRead] = []

    @property
    def circuit(self) -> BenchCircuit:
        return self._circuit

    @property
    def reference(self) -> Multimeter:
        return self._observers["reference"].multimeter

    def display_factor(self, at: float) -> float:
        return self._display.factor(at)

    def measure(self, part: str, started: float | None = None) -> Measured:
        start = self.clock.now() if started is None else started
        if part == "meter":
            self._look(self.clock.now())
        found = super().measure(part, started)
        if part == "reference":
            end = start + INTEGRATION_TIME
            count = 8 if self._circuit.load.changed_since(start - SETTLED_AFTER) else 2
            self.references.append(ReferenceRead(start, end, self.reference.scale, tuple(midpoints(start, end, count))))
        return found

    def _look(self, at: float) -> None:
        interval = self.description.meter.refresh_interval
        slot = int(at // interval)
        start, end = slot * interval - interval, slot * interval
        times = tuple(midpoints(start, end, 16 if self._circuit.unsteady(start, end) else 2))
        if self.displays and self.displays[-1].slot == slot:
            # It was latched when it was first looked at.
            times = self.displays[-1].times
        self.displays.append(DisplayRead(at, slot, times))


def of_many_benches(bench: FollowedBench, described: Sequence[BenchDescription]) -> tuple[Reals, Reals]:
    """Readings of the reference in its own unit (benches, n) and of the display in amperes (benches, m), in the order of the course of `bench`.

    `described` may differ from the description of `bench` in seed, share of the claim and reference path. A reading beyond the
    reference's range is not a number. Raises ValueError where a course depends on more than its times: where the reference chooses its
    ranges itself, a fuse may melt, the input clips, or a current is no sine.
    """
    circuit, meter = bench.circuit, bench.description.meter
    if meter.largest_secondary_peak is not None or any(fault.name == "clipping" for fault in bench.faults):
        raise ValueError("the input clips")
    if any(not load.waveform.sinusoidal for i in bench.description.instruments for load in i.shelf):
        raise ValueError("the current is no sine")
    if bench.reference.autoranging:
        raise ValueError("the reference chooses its ranges itself")
    if meter.secondary_fuse and circuit.peak_ampere_turns / meter.secondary_turns > 1.4 * meter.secondary_fuse:
        raise ValueError("the secondary fuse may melt")
    return _references(bench, described), _displays(bench, described)


def _references(bench: FollowedBench, described: Sequence[BenchDescription]) -> Reals:
    reads = reference_reads({fault.name for fault in bench.faults})
    scales = [r.scale for r in bench.references]
    resolution = np.array([s.resolution for s in scales])
    flowing, positions = _flowing(bench, described, [r.times for r in bench.references])
    connected = np.array([bool(p) for p in positions])
    currents = _means(np.where(connected, flowing, 0.0), [len(r.times) for r in bench.references])
    found = np.empty_like(currents)
    instrument = next(i for i in bench.description.instruments if i.role == "reference")
    for row, one in enumerate(described):
        multimeter = Multimeter(instrument.scales, one.seed, share=one.share_of_claim)
        value = _outputs(path_as_it_is(one), currents[row]) * reads
        gain, offset = np.array([multimeter.errors[scale] for scale in scales]).T
        noise = np.array([multimeter.noise.gauss(0.0, 1.0) for _ in scales])
        read = value * (1.0 + gain) + offset + noise * (2e-5 * np.abs(value) + 0.5 * resolution)
        beyond = np.abs(value) > OVERRANGE * np.array([s.full_scale for s in scales])
        found[row] = np.where(beyond, np.nan, np.abs(np.rint(read / resolution) * resolution))
    return found


def _displays(bench: FollowedBench, described: Sequence[BenchDescription]) -> Reals:
    circuit, names = bench.circuit, {fault.name for fault in bench.faults}
    times = [d.times for d in bench.displays]
    flowing, positions = _flowing(bench, described, times)
    turns = np.array([abs(circuit.turns[p]) if p else 0 for p in positions])
    rise = _followed(circuit.warming.changes, np.concatenate(times), TIME_CONSTANT) * _gains(bench, described) ** 2
    secondary = secondary_currents(
        circuit.transformer,
        np.abs(turns * (flowing + circuit.supply_current)),
        circuit.transformer.winding_resistance * TEMPERATURE_COEFFICIENT * rise,
    )
    factors = [bench.display_factor(d.slot * bench.description.meter.refresh_interval) for d in bench.displays]
    found = np.empty((len(described), len(times)))
    for row, one in enumerate(described):
        module = module_with(names, one.meter, one.seed)
        measured = _means(np.array([module.measured(s) for s in secondary[row].tolist()]), [len(t) for t in times])
        found[row] = _shown(module, measured, [d.slot for d in bench.displays], np.array(factors))
    return found


def _shown(module: Module, measured: Reals, slots: Sequence[int], factors: Reals) -> Reals:
    draws = (random.Random(f"{module.seed} display {slot}") for slot in slots)
    noise = np.array([(draw.gauss(0.0, 1.0), draw.gauss(0.0, 1.0)) for draw in draws])
    noisy = measured * (1.0 + 1e-4 * noise[:, 0]) + 0.2 * noise[:, 1] * module.resolution
    found: Reals = np.rint(noisy * factors / module.resolution) * module.resolution
    return np.where(noisy < module.smallest, 0.0, found)


def _flowing(
    bench: FollowedBench, described: Sequence[BenchDescription], times: Sequence[Sequence[float]]
) -> tuple[Reals, list[str]]:
    """The load's current at all `times` (seeds, n), and the position of the range switch then."""
    at = np.concatenate(times)
    moved, places = zip(*bench.circuit.switch.moves, strict=True)
    positions = [places[i] for i in np.maximum(np.searchsorted(moved, at, side="right") - 1, 0)]
    steps = _followed(bench.circuit.load.changes, at, SETTLING_TIME_CONSTANT)
    period, amplitude, _ = np.array(bench.circuit.load.waves).T
    phases = np.array([[wave[2] for wave in current_source(d, ignores_off=False).waves] for d in described])
    turned = 2 * np.pi * np.divide.outer(at, period)
    wander = np.sin(turned[None, :, :] + phases[:, None, :]) @ amplitude
    return steps * _gains(bench, described) * (1.0 + wander), positions


def _gains(bench: FollowedBench, described: Sequence[BenchDescription]) -> Reals:
    """The load's gain over that of the course's own load (seeds, 1)."""
    gains = [current_source(one, ignores_off=False).gain for one in described]
    return np.array(gains)[:, None] / bench.circuit.load.gain


def _followed(changes: Sequence[FirstOrderStep], at: Reals, time_constant: float) -> Reals:
    """A quantity of first order at the times `at` (n,)."""
    times, begins_at, targets = np.array(changes).T
    place = np.maximum(np.searchsorted(times, at, side="right") - 1, 0)
    left = np.exp(-np.maximum(0.0, at - times[place]) / time_constant)
    found: Reals = targets[place] + (begins_at - targets)[place] * left
    return found


def _means(values: Reals, counts: Sequence[int]) -> Reals:
    """Means over runs of so many of the last axis."""
    starts = np.cumsum([0, *counts[:-1]])
    found: Reals = np.add.reduceat(values, starts, axis=-1) / np.array(counts)
    return found


def _outputs(path: TruePath, currents: Reals) -> Reals:
    """What arrives at the reference of `currents` (n,) in the load lead, as `TruePath.output` says it."""
    through = np.log(np.maximum(currents * path.loops, np.finfo(float).tiny))
    error = np.full_like(currents, path.off)
    if path.errors:
        at, errors = np.array(path.errors).T
        error += np.interp(through, np.log(at), errors)
        if path.slope:
            error += np.where(currents > 0.0, path.slope * (through - np.log(at[-1])) / np.log(10.0), 0.0)
    return currents / path.factor * (1.0 + error)
