"""Simulated meters with the errors that the shipped catalogue calls ordinary, drawn and applied by a description of its own.

Formulas of the keys as README and catalogue describe them, x being the ampere-turns over the rated ones; the transformer under
them is the simulated one, whose own curve stands for the mean slope.
"""

from __future__ import annotations

import dataclasses
import functools
import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from unittest import mock

from harness.evaluation.range_evaluation import EvaluationOptions, evaluate_ranges
from harness.preparation.seeded_runs import SeededRuns
from harness.results import RangeResult
from simulated.description import MeterDescription
from simulated.physics.assembly import CALIBRATED_AT, healthy_transformer, module_with
from simulated.physics.module import Module
from simulated.physics.virtual_clock import VIRTUAL_START, VirtualClock
from simulated.simulated_bench import SimulatedBench
from tests.characteristic import characteristic

GAIN, SLOPE, TOP, BEND, OFFSET, SHAPE, SHARPNESS = 0.3e-2, 0.12e-2, 0.1e-2, 0.2e-2, 0.5, 0.05e-2, 0.6
"""Standard deviations of [ordinary] and [unmodelled], as they stand in causes.toml; the offset in display steps."""

WIDTH = 0.15
"""Decades over which a core's curve departs from a described one to the same side: a judgement. A point a third of a decade away knows nearly nothing of it."""


@dataclass(frozen=True)
class OrdinaryModule(Module):
    """A module that is off by `error` (a fraction) of x, the secondary current over `rated`."""

    error: Callable[[float], float] = lambda x: 0.0
    rated: float = 1.0

    def measured(self, secondary_current: float) -> float:
        """As the module, with its error."""
        x = abs(secondary_current) / self.rated
        return super().measured(secondary_current) + abs(secondary_current) * self.scale * self.error(x)


def ordinary_error(draw: random.Random) -> Callable[[float], float]:
    """The error of one ordinary meter as a function of x."""
    gain, slope, top, bend = (draw.gauss(0, s) for s in (GAIN, SLOPE, TOP, BEND))
    knee, shapes = draw.gauss(0, SHARPNESS * TOP), draw.random()

    def error(x: float) -> float:
        shape = smooth_shape(f"{shapes}", x)
        decades = math.log10(max(x, 1e-4) / 0.1)
        return gain + slope * decades + top * x**4 + knee * (x**2 - x**4) + bend * x + shape

    return error


def smooth_shape(drawn: str, x: float) -> float:
    """A random curve over the logarithm of x with the standard deviation `SHAPE` everywhere, the same one for the same `drawn`.

    It is smooth, as the curve of a core is: what differs between ampere-turns a third of a decade apart does not between
    those a hundredth apart.
    """
    at = math.log10(max(x, 1e-9)) / WIDTH
    nodes = range(math.floor(at) - 4, math.floor(at) + 6)
    weights = [math.exp(-((at - n) ** 2) / 2) for n in nodes]
    drawings = [_drawing(drawn, n) for n in nodes]
    return sum(w * d for w, d in zip(weights, drawings, strict=True)) / math.hypot(*weights)


@functools.cache
def _drawing(drawn: str, node: int) -> float:
    """Kept, since a generator takes longer to seed than all the rest of the curve."""
    return random.Random(f"{drawn} {node}").gauss(0, SHAPE)


def sound_run(
    runs: SeededRuns, seed: int, claimed: Sequence[tuple[str, float, float]]
) -> tuple[RangeResult, ...] | None:
    """The results of a run with the meter and the bench of `seed`; None when the meter does not meet its claim somewhere.

    `claimed`: range, current in amperes and limit of every point.
    """
    inputs = runs.inputs
    draw = random.Random(f"{seed} ordinary")
    error, offset = ordinary_error(draw), draw.gauss(0, OFFSET)
    rated = inputs.device.transformer.rated_secondary_current

    def made(names: set[str], meter: MeterDescription, seed: int) -> Module:
        module = module_with(names, meter, seed)
        fields = {f.name: getattr(module, f.name) for f in dataclasses.fields(module)}
        trimmed_at = CALIBRATED_AT * meter.rated_secondary_current * meter.secondary_turns
        fields["gain"] = 1.0 / abs(1.0 + healthy_transformer(meter).complex_error(trimmed_at))
        fields["offset"] = offset * module.resolution
        return OrdinaryModule(**fields, error=error, rated=rated)

    with (
        mock.patch("simulated.bench_physics.module_with", made),
        mock.patch("simulated.many_benches.module_with", made),
        mock.patch("tests.characteristic.module_with", made),
    ):
        bench = SimulatedBench(dataclasses.replace(runs.bench.description, seed=seed), VirtualClock())
        true_error = characteristic(bench).ratio_error
        if any(abs(true_error(name, current)) > limit for name, current, limit in claimed):
            return None
        (points,) = runs.points([seed])
    options, date = EvaluationOptions(diagnosed=False), VIRTUAL_START.date()
    return evaluate_ranges(inputs.device, inputs.bench, points, runs.ranges, date, options).ranges
