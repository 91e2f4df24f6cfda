"""Does a rehearsal tell how likely a sound meter is not passed? `python tests/benchmarks/rejection.py [METERS]`.

Sound meters are made from the physics (`tests/sound_meters.py`), each on a bench of its own that is wrong anywhere inside its whole
claim, and verified by runs of `current_ratio` along the course of one (`harness/preparation/seeded_runs.py`). How often a
range is not passed is compared with what the rehearsal of the same files told, by an exact binomial test.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from scipy.stats import binomtest  # noqa: E402

from harness.core.stop import StopSignal  # noqa: E402
from harness.files.loading import parse_bench, parse_device  # noqa: E402
from harness.preparation.rehearsal import rehearsal_of  # noqa: E402
from harness.preparation.run_files import RunInputs  # noqa: E402
from harness.preparation.seeded_runs import seeded_runs  # noqa: E402
from harness.results import accepted  # noqa: E402
from tests.direct_physics import demo_inputs  # noqa: E402
from tests.sound_meters import sound_run  # noqa: E402

FIRST_SEED = 10_000
CLAIMS = ('of_reading = "0.38 %"', 'of_reading = "0.68 %"', 'of_reading = "1.35 %"\ncounts = 2')
"""Limit over U of about 1.1, 2 and 4 at the worst point of the demo's bench."""


def described(claim: str) -> RunInputs:
    """The demo's device with another claim, on its bench freshly calibrated (what drifts is no part of the simulated bench)."""
    inputs = demo_inputs()
    device_text = inputs.device_text.replace('of_reading = "1 %"\ncounts = 2', claim)
    bench_text = inputs.bench_text.replace('drift_per_year = "0.01 %/year"\n', "")
    assert claim in device_text
    assert bench_text != inputs.bench_text
    return replace(
        inputs,
        device_text=device_text,
        bench_text=bench_text,
        device=parse_device(device_text, "device.toml"),
        bench=parse_bench(bench_text, "bench.toml"),
    )


def campaign(claim: str, meters: int, first_seed: int = 0) -> tuple[dict[str, int], int, dict[str, float], float]:
    """Ranges not passed of so many sound `meters` by name ("run": the whole), how many meters were drawn for them, what was told of
    the ranges, and the smallest limit over U.
    """
    inputs = described(claim)
    rehearsal = rehearsal_of(inputs, StopSignal())
    found = rehearsal.rejection
    assert found is not None
    assert found.of_run is not None
    told = {name: p for name, p in found.of_range.items() if p is not None} | {"run": found.of_run}
    claimed = [(r.name, p.nominal_current, p.ratio_error.limit) for r in rehearsal.results.ranges for p in r.points]
    counted, sound, seed = dict.fromkeys(told, 0), 0, first_seed
    runs = seeded_runs(inputs, share_of_claim=1.0)
    while sound < meters:
        ranges = sound_run(runs, seed, claimed)
        seed += 1
        if ranges is None:
            continue
        sound += 1
        failed = [r.name for r in ranges if not all(accepted(p.ratio_error.verdict) for p in r.points)]
        for name in [*failed, *(["run"] if failed else [])]:
            counted[name] += 1
    return counted, seed - first_seed, told, rehearsal.smallest_test_uncertainty_ratio


def main() -> None:
    """Print a row for each claim and range."""
    meters = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for claim in CLAIMS:
        counted, drawn, told, ratio = campaign(claim, meters, FIRST_SEED)
        print(f"{claim!r}: limit over U {ratio:.2f}, {meters} sound of {drawn} ordinary meters")
        for name, count in counted.items():
            p = binomtest(count, meters, told[name]).pvalue
            print(f"  {name:<4} told {told[name] * 100:5.1f} %, found {count / meters * 100:5.1f} %, p = {p:.2f}")


if __name__ == "__main__":
    main()
