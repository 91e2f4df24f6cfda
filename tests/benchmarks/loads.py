"""How often what is stated of a measured load holds what it drew. `python tests/benchmarks/loads.py [VERIFICATIONS [LOADS]]`.

Every verification is a whole run of `power_and_phase` on a simulated bench of its own, whose reference path uses the whole of its claim. Then loads of
random current and power factor, lagging and leading, are measured with the same meter by the dialogue of `ratioproof measure`, at sinusoidal current.
The truth is the circuit's own: the current that flowed, and that times the voltage and the cosine of its angle.
"""

from __future__ import annotations

import math
import random
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from harness.commands.new import BENCH_POWER, new  # noqa: E402
from harness.preparation.run_files import RunInputs, load_inputs  # noqa: E402
from harness.results import Stated  # noqa: E402
from harness.steps import Options  # noqa: E402
from harness.verified_meter.load_dialogue import Asked, make_safe, read_load  # noqa: E402
from harness.verified_meter.load_display import TypedDisplay  # noqa: E402
from harness.verified_meter.measured_load import MeasuredAs, measured_load  # noqa: E402
from tests.benchmarks.coverage_power import ran  # noqa: E402
from tests.measuring import Measurer  # noqa: E402

READINGS = 5
VOLTAGE_ERROR = 1.0
QUANTITIES = ("current", "power", "apparent_power", "power_factor")


@cache
def _files() -> RunInputs:
    return load_inputs(*new(Path(tempfile.mkdtemp()), BENCH_POWER), "power_and_phase", Options())


def held(seed: int, loads: int) -> list[dict[str, bool]]:
    """For each load measured with the meter of `seed`, which of its values held what was true."""
    return list(_held(seed, loads))


def _held(seed: int, loads: int) -> Iterator[dict[str, bool]]:
    run = ran(_files(), seed)
    bench, clock, results, draw = run.bench, run.clock, run.results(), random.Random(seed)
    for _ in range(loads):
        current = 0.045 * (70 / 0.045) ** draw.random()
        person = Measurer(bench, current, draw.choice((1.0, 0.95, 0.6, 0.4, -0.4, -0.6, -0.9)))
        flowed: list[tuple[float, float, float]] = []

        def noted(text: str, right: str, flowed: list[tuple[float, float, float]] = flowed) -> None:
            if ", reading" in text:
                now = clock.now()
                circuit = bench._circuit
                flowed.append((circuit.flowing(now), circuit.mains.voltage_at(now), circuit.load.angle_at(now)))

        person._slip = noted
        display = TypedDisplay(results.device, person, "load")
        readings = read_load(Asked(results, person, "load", display, True), READINGS, clock.now)
        current, voltage, angle = (sum(values) / len(values) for values in zip(*flowed, strict=True))
        read = voltage + draw.uniform(-0.5, 0.5) * VOLTAGE_ERROR
        about = MeasuredAs("load", "", "", "", "", (read, VOLTAGE_ERROR), 0.0)
        found = measured_load(results, readings, about, [])
        make_safe(person, "load")
        truth = (current, current * voltage * math.cos(angle), current * voltage, math.cos(angle))
        yield {
            name: abs(value.value - true) <= value.expanded_uncertainty
            for name, true in zip(QUANTITIES, truth, strict=True)
            if isinstance(value := getattr(found, name), Stated)
        }


if __name__ == "__main__":
    verifications, loads = (int(text) for text in (*sys.argv[1:], *("40", "25")[len(sys.argv) - 1 :]))
    with ProcessPoolExecutor() as pool:
        outcomes = [one for found in pool.map(partial(held, loads=loads), range(1, verifications + 1)) for one in found]
    for name in QUANTITIES:
        stated = [one[name] for one in outcomes if name in one]
        print(f"{name}: {sum(stated) / len(stated):.1%} of {len(stated)} loads held")
