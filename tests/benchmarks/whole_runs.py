"""What a run of `current_ratio` costs in time, and what it finds. `python tests/benchmarks/whole_runs.py [VERIFICATIONS [READINGS [SECONDS]]]`.

Every verification has the readings of a whole run in virtual time, settling and changes of range included, on a bench of its own: meter, load
and reference drawn anew, the reference's bounds anywhere inside the whole of its claim and what its path's certificate states normally. They are
read along the course of one run (`harness/preparation/seeded_runs.py`); a test compares them with runs through the protocols. So two versions of the
runner, or two numbers of readings, can be compared on the same seeds. The truth of a ratio error is that of the cold meter without noise and
rounding. A sound meter's verdict should be pass. With SECONDS multimeter and display take so long for a reading, in place of 0.1 s.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path
from unittest.mock import patch

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from harness.commands.new import new  # noqa: E402
from harness.evaluation.range_evaluation import EvaluationOptions, evaluate_ranges  # noqa: E402
from harness.preparation.run_files import RunInputs, load_inputs  # noqa: E402
from harness.preparation.seeded_runs import SeededRuns, seeded_runs  # noqa: E402
from harness.record.observations import ObservedPoint  # noqa: E402
from harness.steps import Options  # noqa: E402
from simulated.bench_physics import BenchPhysics  # noqa: E402
from simulated.physics.virtual_clock import VirtualClock  # noqa: E402
from tests.benchmarks.coverage_power import of_whole_claim  # noqa: E402
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


@contextmanager
def integrating(integration: float) -> Iterator[None]:
    """Simulated multimeters integrate for so many seconds."""
    with ExitStack() as patches:
        for module in ("bench_physics", "many_benches"):
            patches.enter_context(patch(f"simulated.{module}.INTEGRATION_TIME", integration))
        yield


def seconds(integration: float, refresh_interval: float, readings: int = Options.readings) -> float:
    """Virtual seconds of a run with a multimeter that integrates for so many seconds."""
    run = TwinRun(files(refresh_interval, readings))
    with integrating(integration):
        run.run()
    taken: float = run.record.lines[-1]["elapsed"]
    return taken


@dataclass(frozen=True)
class Found:
    """Of one verification: verdict by range, by point U and whether the interval held the truth."""

    verdicts: tuple[str, ...]
    uncertainties: dict[str, float]
    held: dict[str, bool]


def followed(readings: int = Options.readings, taking: float = 0.1) -> SeededRuns:
    """One run on files whose multimeter and display take so many seconds; call it within `integrating`."""
    runs = seeded_runs(files(taking, readings))
    return replace(runs, drawn=partial(of_whole_claim, runs.inputs.bench))


def verifications(runs: SeededRuns, seeds: Sequence[int]) -> Iterator[Found]:
    """What the run of every one of `seeds` comes to."""
    for seed, points in zip(seeds, runs.points(seeds), strict=True):
        yield _found(runs, seed, points)


def _found(runs: SeededRuns, seed: int, points: tuple[ObservedPoint, ...]) -> Found:
    date = VirtualClock().wall().date()
    # Causes are looked for in results that are there already.
    options = EvaluationOptions(diagnosed=False)
    outcome = evaluate_ranges(runs.inputs.device, runs.inputs.bench, points, runs.ranges, date, options)
    description = runs.drawn(runs.bench.description, seed)
    truth = characteristic(BenchPhysics(description, VirtualClock()))
    uncertainties, held = {}, {}
    for rng in outcome.ranges:
        for point in rng.points:
            error = point.ratio_error
            uncertainties[point.name] = error.expanded_uncertainty
            off = error.value - truth.ratio_error(rng.name, point.nominal_current)
            held[point.name] = abs(off) <= error.expanded_uncertainty
    return Found(tuple(str(rng.verdict) for rng in outcome.ranges), uncertainties, held)


def report(found: Iterable[Found]) -> Iterator[str]:
    """Lines of what was found."""
    every = list(found)
    held = [hit for one in every for hit in one.held.values()]
    by_point = {name: statistics.mean(one.held[name] for one in every) for name in every[0].held}
    least, most = min(by_point, key=lambda n: by_point[n]), max(by_point, key=lambda n: by_point[n])
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
    print(f"  {seconds(taking, taking, readings):.2f} virtual seconds")
    with integrating(taking):
        for line in report(verifications(followed(readings, taking), range(1, count + 1))):
            print(f"  {line}", flush=True)


if __name__ == "__main__":
    main()
