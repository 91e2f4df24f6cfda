"""How often the stated interval of a reading holds the current that flowed. `python tests/benchmarks/readings.py [VERIFICATIONS [READINGS]]`.

Every verification is a whole run on a simulated bench of its own, whose reference uses the whole of its claim. Then the same meter is read at random
currents of random ranges, once or four times, and `corrected_current` says what was read.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from harness.verified_meter.corrected_current import corrected_current  # noqa: E402
from harness.verified_meter.measured_quantity import DisplayedValue  # noqa: E402
from simulated.physics.load import CurrentSource  # noqa: E402
from tests.benchmarks.coverage_power import ran  # noqa: E402
from tests.benchmarks.whole_runs import files  # noqa: E402


def held(seed: int, readings: int) -> Iterator[tuple[bool, bool]]:
    """For each reading of the meter of `seed` whether the interval held the current, corrected and not."""
    run = ran(files(0.1), seed)
    bench, clock, results, draw = run.bench, run.clock, run.results(), random.Random(seed)
    for _ in range(readings):
        rng = draw.choice(results.ranges)
        current = rng.minimum_current * (rng.maximum_current / rng.minimum_current) ** draw.uniform(0.01, 0.99)
        bench.set_output(False)
        bench.turn_switch(rng.name)

        def on(load: CurrentSource, time: float, current: float = current) -> None:
            load.set_protection(load.maximum_current)
            load.set_current(current, time)
            load.set_output(True, time)

        bench.change_load(on)
        clock.sleep(120)
        shown, flowing = [], 0.0
        for _ in range(draw.choice((1, 4))):
            clock.sleep(0.25)
            shown.append(DisplayedValue(bench.shown().current, results.device.resolution))
            flowing = bench.mean_current(clock.now() - 0.2, clock.now() - 0.1)
        found = corrected_current(results, rng.name, shown, 0.0)
        yield (
            abs(found.corrected.value - flowing) <= found.corrected.expanded_uncertainty,
            abs(found.uncorrected[0] - flowing) <= found.uncorrected[1],
        )


if __name__ == "__main__":
    verifications, readings = (int(text) for text in (*sys.argv[1:], *("60", "17")[len(sys.argv) - 1 :]))
    outcomes = [one for seed in range(1, verifications + 1) for one in held(seed, readings)]
    for name, place in (("corrected", 0), ("not corrected", 1)):
        print(f"{name}: {sum(one[place] for one in outcomes) / len(outcomes):.1%} of {len(outcomes)} readings held")
