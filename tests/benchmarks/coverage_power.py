"""Do the intervals of phase displacement, power error and smallest current hold the truth as often as they say?

`python tests/benchmarks/coverage_power.py [VERIFICATIONS]`. Every verification is a whole run of the procedure in virtual time on a bench of
its own: load, reference, reference transformer and meter drawn anew, the reference's bounds anywhere inside the whole of its claim and
what is stated with k = 2 normally; between two calibrated currents the reference transformer is as uncertain as is said of it there. The truth is
the physics' own: the angle of the transformer and the module at that current, what
power reads without noise and rounding, the current at which the noiseless display crosses its threshold.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from harness.commands.new import BENCH_POWER, new  # noqa: E402
from harness.core.interpolation import Node  # noqa: E402
from harness.evaluation.power.phase_displacement import phases_found  # noqa: E402
from harness.evaluation.power.power_errors import power_values  # noqa: E402
from harness.evaluation.ratio.point_errors import point_values  # noqa: E402
from harness.evaluation.ratio.smallest_readable_current import smallest_found  # noqa: E402
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities  # noqa: E402
from harness.files.bench import Bench  # noqa: E402
from harness.preparation.run_files import RunInputs, load_inputs  # noqa: E402
from harness.record.history import observed_points  # noqa: E402
from harness.results import Stated  # noqa: E402
from harness.steps import Options  # noqa: E402
from simulated.description import BenchDescription, KnownAt, ReferencePathDescription  # noqa: E402
from simulated.physics.virtual_clock import VirtualClock  # noqa: E402
from simulated.simulated_bench import SimulatedBench  # noqa: E402
from tests.benchmarks.coverage import claimed_error  # noqa: E402
from tests.characteristic import characteristic  # noqa: E402
from tests.on_twin import TwinRun  # noqa: E402

PROBABILITY = 0.95
CURRENTS = 120
"""More than twenty a decade."""
PHASE, POWER, SMALLEST = "phase displacement", "power error", "smallest current"


@cache
def _files(procedure: str) -> RunInputs:
    device, bench = new(Path(tempfile.mkdtemp()), BENCH_POWER)
    text = bench.read_text(encoding="utf-8")
    wanted = text.replace('rule = "guarded"', f'rule = "guarded"\ncoverage_probability = {PROBABILITY}')
    assert wanted != text
    bench.write_text(wanted, encoding="utf-8")
    return load_inputs(device, bench, procedure, Options())


def ran(files: RunInputs, seed: int) -> TwinRun:
    """A whole run on the bench of `seed`, whose reference and its path use the whole of their claims."""
    twin = TwinRun(files)
    twin.clock = clock = VirtualClock()
    twin.bench = SimulatedBench(of_whole_claim(files.bench, twin.bench.description, seed), clock)
    twin.run()
    return twin


def of_whole_claim(bench: Bench, description: BenchDescription, seed: int) -> BenchDescription:
    """The bench of `seed`, whose reference and its path use the whole of their claims."""
    path = _whole_claim(bench, description.reference_path, seed)
    return dataclasses.replace(description, reference_path=path, seed=seed, share_of_claim=1.0)


def _whole_claim(bench: Bench, known: ReferencePathDescription, seed: int) -> ReferencePathDescription:
    """The path with its errors drawn already, at many currents: the simulated bench alone draws only those that were calibrated."""
    part, draw = bench.reference_path.part, random.Random(f"{seed} whole path")
    assert part is not None

    def drawn(nodes: Sequence[Node]) -> tuple[KnownAt, ...]:
        if not nodes:
            return ()
        deviations = [draw.gauss(0, n.standard_uncertainty) for n in nodes]
        bows = [draw.uniform(-1, 1) for _ in nodes[1:]]
        currents = np.geomspace(nodes[0].at, nodes[-1].at, CURRENTS)
        return tuple(KnownAt(float(i), claimed_error(nodes, deviations, bows, float(i))) for i in currents)

    return dataclasses.replace(
        known,
        ratio_errors=drawn(part.nodes(part.rated_frequency)),
        phase_displacements=drawn(part.nodes(part.rated_frequency, phase=True)),
    )


def verification(seed: int) -> Counter[tuple[str, str, bool]]:
    """One run of each procedure: (quantity, range, whether its interval held the truth) -> how often."""
    found: Counter[tuple[str, str, bool]] = Counter()

    def count(quantity: str, place: str, value: Stated, truth: float) -> None:
        found[quantity, place, abs(value.value - truth) <= value.expanded_uncertainty] += 1

    files = _files("power_and_phase")
    twin = ran(files, seed)
    inputs = InputQuantities(files.bench, dt.date.fromisoformat(twin.record.start["at"][:10]))
    points = [point_values(files.device, inputs, p) for p in observed_points(twin.record)]
    powers = [p for v in points if (p := power_values(files.device, inputs, v)) is not None]
    for phase in phases_found(powers):
        truth = characteristic(twin.bench).phase_displacement(phase.found_from[0].observed.range, phase.nominal_current)
        count(PHASE, phase.found_from[0].observed.range, inputs.stated(phase.displacement), truth)
    for power in powers:
        assert power.observed.power_factor is not None
        name, current = power.observed.range, power.observed.nominal_current
        truth = characteristic(twin.bench).power_error(name, current, power.observed.power_factor)
        count(POWER, name, inputs.stated(power.power_error), truth)
    files = _files("smallest_current")
    twin = ran(files, seed)
    inputs = InputQuantities(files.bench, dt.date.fromisoformat(twin.record.start["at"][:10]))
    points = [point_values(files.device, inputs, p) for p in observed_points(twin.record)]
    for rng in files.device.ranges:
        smallest = smallest_found(files.device, inputs, points, rng)
        assert smallest is not None
        assert smallest.value is not None
        count(SMALLEST, rng.name, inputs.stated(smallest.value), characteristic(twin.bench).smallest_current(rng.name))
    return found


def coverage(verifications: int, first_seed: int = 1, processes: int = 2) -> dict[tuple[str, str], float]:
    """(quantity, range) -> part of the intervals that held the truth."""
    total: Counter[tuple[str, str, bool]] = Counter()
    seeds = range(first_seed, first_seed + verifications)
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            for found in pool.map(partial(verification), seeds, chunksize=10):
                total += found
    else:
        for seed in seeds:
            total += verification(seed)
    places = dict.fromkeys((quantity, place) for quantity, place, _ in total)
    return {
        (q, place): total[q, place, True] / (total[q, place, True] + total[q, place, False])
        for q, place in sorted(places)
    }


if __name__ == "__main__":
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for (quantity, place), part in coverage(asked).items():
        print(f"{quantity:<20} {place:<6} {part * 100:.1f} %")
