"""Readings of a run straight from the physics of the simulated bench, without runner, links or time: some fifty times as quick.

The points are those of `current_ratio`, kept or left out by the runner's own limits. Beside them power errors and smallest
readable currents, from the same transformer and module.
"""

from __future__ import annotations

import cmath
import datetime as dt
import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from uncertainties import UFloat, ufloat

from harness.commands.new import new
from harness.current_limits.maximum_test_current import CLIP, approach_current, maximum_test_current
from harness.evaluation.diagnosis.evidence import POWER, Setting
from harness.evaluation.ratio.error_split import Split
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Range
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import describe
from harness.record.observations import ObservedPoint, ReadingPair
from harness.steps import Options, both_ways, ladder
from simulated.bench_faults import parse_fault
from simulated.physics.assembly import (
    current_source,
    module_phase,
    module_with,
    power_sense,
    range_factors,
    reference_reads,
    transformer_with,
)
from simulated.physics.multimeter import Multimeter
from simulated.physics.range_switch import signed_turns
from simulated.physics.true_path import path_as_it_is

RUN_DATE = dt.date(2026, 11, 26)
SECONDARY_UNCERTAINTY = 2e-3
"""Standard uncertainty of the multimeter in the secondary, relative."""
SECONDARY_STEP = 1e-6
"""Its resolution in amperes: less is not read."""
VOLTAGE_GAIN = 2e-3
"""Bound of the error of the meter's voltage channel."""
POWER_UNCERTAINTY, SEARCH_UNCERTAINTY = 1e-3, 0.02
"""Standard uncertainties of a power reading and of a smallest readable current, relative."""


@dataclass(frozen=True)
class Place:
    """Where a reading is taken: the range selected, ampere-turns over rated ones, the point's number counted from 0, its direction."""

    range: str
    load: float
    number: int
    direction: str


Distortion = Callable[[Place], float]
"""By what the secondary current is multiplied: for faults of no catalogue."""


@cache
def demo_inputs() -> RunInputs:
    """The project's own device and bench."""
    with TemporaryDirectory() as folder:
        device_file, bench_file = new(Path(folder) / "pair")
        return load_inputs(device_file, bench_file, "current_ratio", Options())


def undistorted(place: Place) -> float:
    """Nothing beyond the bench's own faults."""
    return 1.0


class DirectBench:
    """The simulated bench's parts with `faults`, drawn from `seed`, read without anything between."""

    def __init__(
        self, inputs: RunInputs, faults: Sequence[str] = (), seed: int = 7, distortion: Distortion = undistorted
    ) -> None:
        self.device, self.bench = inputs.device, inputs.bench
        description = replace(
            describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, faults), seed=seed
        )
        self._meter = meter = description.meter
        active = [parse_fault(text, meter) for text in faults]
        names = {fault.name for fault in active}
        where = {fault.name: fault.range for fault in active}
        self._turns = signed_turns(meter.ranges, active)
        self._stuck = where.get("switch-left-in-another-position", "")
        self._supply = sum(fault.current for fault in active)
        self._factors = range_factors(meter, where.get("display-factor-forgotten", ""))
        self._transformer = transformer_with(names, meter)
        self._module = module_with(names, meter, seed)
        self._sense, self._phase = power_sense(names), module_phase(names)
        self._source = current_source(description, ignores_off=False)
        self._multimeter = Multimeter(next(i.scales for i in description.instruments if i.role == "reference"), seed)
        self._path = path_as_it_is(description)
        self._reads = reference_reads(names)
        self._draw = random.Random(f"{seed} direct")
        self._distortion = distortion
        self._time, self._points = 0.0, 0

    def points(self) -> list[PointValues]:
        """Every point of `current_ratio` that the runner would have taken, evaluated."""
        uncertain = InputQuantities(self.bench, RUN_DATE)
        return [point_values(self.device, uncertain, p) for rng in self.device.ranges for p in self._range(rng)]

    def powers(self) -> list[tuple[Setting, UFloat]]:
        """On every range at a quarter of its largest current, at power factor 1 and 0.5 lagging."""
        reference = ufloat(0.0, POWER_UNCERTAINTY)
        voltage = 1 + random.Random(f"{self._points} voltage").uniform(-VOLTAGE_GAIN, VOLTAGE_GAIN)
        found = []
        for rng in self.device.ranges:
            turns = abs(self._turns[self._position(rng)])
            current = rng.maximum_current / 4 / max(1.0, turns / rng.primary_turns)
            measured = self._phasor(rng, current)
            sense = self._sense * (1 if self._turns[self._position(rng)] >= 0 else -1)
            for power_factor in (1.0, 0.5):
                angle = math.acos(power_factor)
                size = self._module.measured(abs(measured)) * self._factor(rng) / current * voltage
                size *= self._module.power_gain / self._reads
                turned = math.cos(angle - cmath.phase(measured) - self._phase) / power_factor
                error = sense * size * turned - 1 + self._draw.gauss(0, POWER_UNCERTAINTY / 2)
                own = ufloat(error, POWER_UNCERTAINTY / 2)
                found.append((Setting(POWER, rng.name, current, power_factor), own + abs(1 + error) * reference))
        return found

    def smallest(self) -> dict[str, UFloat]:
        """On every range the current at which the display comes to life, found by halving; none where it never does or always is alive."""
        found = {}
        for rng in self.device.ranges:
            low, high = 0.0, rng.maximum_current / 4
            at_ends = [self._module.measured(abs(self._phasor(rng, c))) for c in (low, high)]
            if not at_ends[0] < self._module.smallest <= at_ends[1]:
                continue
            for _ in range(40):
                middle = (low + high) / 2
                above = self._module.measured(abs(self._phasor(rng, middle))) >= self._module.smallest
                low, high = (low, middle) if above else (middle, high)
            error = 1 + self._draw.gauss(0, SEARCH_UNCERTAINTY / 2)
            found[rng.name] = ufloat(high * error * self._reads, high * SEARCH_UNCERTAINTY)
        return found

    def secondaries(self, points: Sequence[PointValues]) -> list[Split]:
        """What a multimeter of 0.2 % in the secondary would have read at `points`, sharing their reference."""
        gain, found = ufloat(0.0, SECONDARY_UNCERTAINTY), []
        off = self._draw.gauss(0, SECONDARY_UNCERTAINTY / 2)
        for p in points:
            rng = self.device.range_named(p.observed.range)
            flowing = abs(self._phasor(rng, p.observed.nominal_current))
            if p.ratio_error is None or flowing < SECONDARY_STEP:
                continue
            through = flowing * (1 + off) * (1 + gain)
            true = p.observed.nominal_current * self._reads / float(p.reference.nominal_value)
            turned = through * self.device.transformer.secondary_turns / rng.primary_turns
            error = turned / (p.reference * true) - 1
            found.append(Split(p, through, error, (1 + p.ratio_error) / (1 + error) - 1))
        return found

    def _range(self, rng: Range) -> Iterator[ObservedPoint]:
        """As the runner does: approach, let the maximum test current follow what is read, leave out what is above it."""
        yield self._point(rng, 0.0, "zero")
        steps = list(both_ways(ladder(rng, Options().per_decade, compared=self.device.ranges)))
        approach = min(steps[0][1], approach_current(self.device, self.bench, rng))
        turns = self._seen(rng, approach)
        silent = turns <= 0
        for direction, current in steps:
            limit = maximum_test_current(self.device, self.bench, rng, turns).current
            if current > limit * (1 + CLIP) or (silent and current > approach):
                continue
            point = self._point(rng, min(current, limit), direction)
            yield point
            if silent:
                return
            shown = sum(p.displayed for p in point.pairs) * rng.display_factor
            read = sum(p.reference for p in point.pairs) * self.bench.reference_path.factor
            turns = shown / read * rng.primary_turns

    def _point(self, rng: Range, nominal: float, direction: str) -> ObservedPoint:
        factor = self.bench.reference_path.factor
        self._multimeter.configure(1.05 * nominal / factor)
        number, self._points = self._points, self._points + 1
        pairs = []
        for _ in range(Options().readings):
            current = self._flowing(nominal)
            reference = self._multimeter.reading(self._read_by_reference(current))
            pairs.append(
                ReadingPair(
                    reference,
                    self._shown(rng, current, number, direction),
                    (self._time, self._time + 0.1),
                    (self._time, self._time + 0.1),
                )
            )
            self._time += 0.2
        return ObservedPoint(
            rng.name, f"{rng.name} {number}", direction, nominal, self._multimeter.scale.full_scale, tuple(pairs)
        )

    def _read_by_reference(self, current: float) -> float:
        """At the terminals of the reference, in its own unit."""
        return self._path.output(current) * self._reads

    def _seen(self, rng: Range, current: float) -> float:
        return rng.primary_turns * self._shown(rng, current, self._points, "up") * rng.display_factor / current

    def _flowing(self, nominal: float) -> float:
        self._source.set_current(nominal, self._time)
        self._source.set_output(nominal > 0, self._time)
        self._time += 1.0
        return self._source.current_at(self._time)

    def _shown(self, rng: Range, current: float, number: int, direction: str) -> float:
        turns = self._turns[self._position(rng)]
        transformer = self.device.transformer
        load = abs(turns) * current / transformer.rated_secondary_current / transformer.secondary_turns
        distorted = self._distortion(Place(rng.name, load, number, direction))
        slot = int(self._time / self.device.display.refresh_interval)
        return self._module.shown(self._measured(rng, current, distorted), slot, self._factors[self._position(rng)])

    def _measured(self, rng: Range, current: float, distorted: float) -> float:
        """The current in the module, before noise, threshold and rounding."""
        return self._module.measured(abs(self._phasor(rng, current)) * distorted)

    def _phasor(self, rng: Range, current: float) -> complex:
        return self._transformer.secondary_current(abs(self._turns[self._position(rng)]) * (current + self._supply))

    def _factor(self, rng: Range) -> float:
        return self._factors[self._position(rng)] * rng.display_factor

    def _position(self, rng: Range) -> str:
        return self._stuck or rng.name
