"""The diagnosis on the simulated bench, over benches and meters drawn anew by their seed.

A fault is put into the physics of the simulated bench; the evaluation sees nothing but the record. Every seed draws
other errors of the reference, the load and the module, all inside what the bench file claims.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.commands.new import new
from harness.preparation.run_files import load_inputs
from harness.results import Results
from harness.steps import Options
from tests.on_twin import TwinRun

FAULTS = [
    "turn-missing",
    "turn-extra",
    "section-reversed",
    "both-windings-in-circuit",
    "switch-left-in-another-position",
    "display-factor-forgotten",
    "high-resistance-fuse",
    "saturating-core",
    "drifted-gain",
    "module-supply-behind-sensor",
]


def _verified(folder: Path, seed: int, *faults: str) -> Results:
    device_file, bench_file = new(folder / f"seed {seed}")
    text = bench_file.read_text(encoding="utf-8")
    assert text.count("seed = 7\n") == 1
    bench_file.write_text(text.replace("seed = 7\n", f"seed = {seed}\n"), encoding="utf-8")
    twin = TwinRun(load_inputs(device_file, bench_file, "current_ratio", Options()), faults)
    twin.run()
    return twin.results()


@pytest.mark.parametrize("fault", FAULTS)
def test_the_right_fault_comes_first_whatever_the_seed(tmp_path: Path, fault: str) -> None:
    """Five benches each: the fault that was put in is the likeliest, and the meter fails."""
    results = [_verified(tmp_path, seed, fault) for seed in range(101, 106)]
    assert [r.diagnosis[0].fault for r in results] == [fault] * 5
    assert [r.verdict for r in results] == ["fail"] * 5


def test_a_healthy_meter_is_never_accused(tmp_path: Path) -> None:
    """Twenty benches: nothing wrong is the likeliest, the turns are right, and the meter passes."""
    errors = set()
    for seed in range(201, 221):
        results = _verified(tmp_path, seed)
        assert results.diagnosis[0].fault == "none", seed
        assert results.verdict == "pass", results.reasons
        assert [r.effective_turns.nearest for r in results.ranges if r.effective_turns] == [4, 20]
        errors.add(round(results.ranges[0].points[0].ratio_error.value, 9))
    # Seeds that drew the same errors would be one bench twenty times.
    assert len(errors) >= 15
