"""What a run of `current_ratio` costs in time, and what it finds. `python tests/benchmarks/whole_runs.py [VERIFICATIONS [READINGS [SECONDS]]]`.

Every verification is a whole run in virtual time, settling and changes of range included, on a bench of its own: meter, load and reference
drawn anew, the reference's bounds anywhere inside the whole of its claim and what its path's certificate states normally. So two versions of the
runner, or two numbers of readings, can be compared on the same seeds. The truth of a ratio error is that of the cold meter without noise and
rounding. A sound meter's verdict should be pass. With SECONDS multimeter and display take so long for a reading, in place of 0.1 s.
"""

from __future__ import annotations

import datetime as dt
import statistics
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from unittest.mock import patch

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from harness.commands.new import new  # noqa: E402
from harness.evaluation.range_evaluation import evaluate_ranges  # noqa: E402
from harness.preparation.run_files import RunInputs, load_inputs  # noqa: E402
from harness.preparation.twin import describe  # noqa: E402
from harness.record.history import observed_points  # noqa: E402
from harness.steps import Options  # noqa: E402
from simulated.bench import SimulatedBench  # noqa: E402
from simulated.physics.clock import VirtualClock  # noqa: E402
from tests.benchmarks.coverage_power import whole_claim  # noqa: E402
from tests.characteristic import characteristic  # noqa: E402
from tests.on_twin import TwinRun  # noqa: E402


@cache
def files(refresh_interval: float, readings: int = Options.readings) -> RunInputs:
    """The project's own device and bench, the display refreshed so often."""
    device, bench = new(Path(tempfile.mkdtemp()) / "pair")
    text = device.read_text(encoding="utf-8")
    written = text.replace('refresh_interval = "100 ms"', f'refresh_interval = "{refresh_interval:g} s"')
    device.write_text(written, encoding="utf-8")
    bench.write_text(bench.read_text(encoding="utf-8").replace('timeout = "1 s"', 'timeout = "3 s"'), encoding="utf-8")
    return load_inputs(device, bench, "current_ratio", Options(readings=readings))


def seconds(integration: float, refresh_interval: float) -> float:
    """Virtual seconds of a run with a multimeter that integrates for so many seconds."""
    run = TwinRun(files(refresh_interval))
    with patch("simulated.bench_physics.INTEGRATION_TIME", integration):
        run.run()
    taken: float = run.record.lines[-1]["elapsed"]
    return taken


@dataclass(frozen=True)
class Found:
    """Of one verification: virtual seconds, verdict by range, by point U and whether the interval held the truth."""

    seconds: float
    verdicts: tuple[str, ...]
    uncertainties: dict[str, float]
    held: dict[str, bool]


def verification(seed: int, readings: int, taking: float) -> Found:
    """A whole run on the bench of `seed`, whose multimeter and display take so many seconds, and its evaluation."""
    inputs = files(taking, readings)
    run = TwinRun(inputs)
    description = describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, ())
    path = whole_claim(inputs.bench, description.reference_path, seed)
    run.clock = clock = VirtualClock()
    run.bench = SimulatedBench(replace(description, reference_path=path, seed=seed, share_of_claim=1.0), clock)
    with patch("simulated.bench_physics.INTEGRATION_TIME", taking):
        run.run()
    date = dt.date.fromisoformat(run.record.start["at"][:10])
    outcome = evaluate_ranges(inputs.device, inputs.bench, observed_points(run.record), [], date)
    truth = characteristic(run.bench)
    uncertainties, held = {}, {}
    for rng in outcome.ranges:
        for point in rng.points:
            error = point.ratio_error
            uncertainties[point.name] = error.expanded_uncertainty
            off = error.value - truth.ratio_error(rng.name, point.nominal_current)
            held[point.name] = abs(off) <= error.expanded_uncertainty
    verdicts = tuple(str(rng.verdict) for rng in outcome.ranges)
    return Found(run.record.lines[-1]["elapsed"], verdicts, uncertainties, held)


def report(found: Iterable[Found]) -> Iterator[str]:
    """Lines of what was found."""
    every = list(found)
    held = [hit for one in every for hit in one.held.values()]
    by_point = {name: statistics.mean(one.held[name] for one in every) for name in every[0].held}
    least, most = min(by_point, key=lambda n: by_point[n]), max(by_point, key=lambda n: by_point[n])
    yield f"seconds {statistics.median(one.seconds for one in every):.2f}"
    yield f"verdicts {dict(Counter(one.verdicts for one in every))}"
    yield f"ratio error held {100 * statistics.mean(held):.2f} %, {100 * by_point[least]:.1f} % ({least}) to {100 * by_point[most]:.1f} % ({most})"
    whole = [u for one in every for u in one.uncertainties.values()]
    yield f"U of a ratio error, mean {100 * statistics.mean(whole):.4f} %, median {100 * statistics.median(whole):.4f} %"


def main() -> None:
    """Print what tests/benchmarks/README.md states."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    readings = int(sys.argv[2]) if len(sys.argv) > 2 else Options.readings
    taking = float(sys.argv[3]) if len(sys.argv) > 3 else 0.1
    print(f"{count} verifications of {readings} readings a point, each of {taking:g} s")
    for line in report(verification(seed, readings, taking) for seed in range(1, count + 1)):
        print(f"  {line}", flush=True)


if __name__ == "__main__":
    main()
