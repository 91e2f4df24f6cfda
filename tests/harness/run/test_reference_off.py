"""A reference transformer that is off by three times what its certificate leaves: what can catch it, and what cannot."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import BENCH_POWER, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.results import Results
from harness.steps import Options
from simulated.simulated_bench import SimulatedBench
from tests.on_twin import TwinRun

UNCERTAINTY = 0.002
"""Expanded, of every calibrated current of the transformer in these tests."""


def _run(inputs: RunInputs, *, off: float = 0.0, slope: float = 0.0, seed: int = 7) -> Results:
    run = TwinRun(inputs)
    path = replace(run.bench.description.reference_path, off=off, slope=slope)
    run.bench = SimulatedBench(replace(run.bench.description, seed=seed, reference_path=path), run.clock)
    run.run()
    return run.results()


def _checked(folder: Path) -> RunInputs:
    """A bench with a transformer of 0.2 %, a reference corrected to 0.03 % and a check standard of 0.05 %."""
    device, bench = new(folder, BENCH_POWER)
    text = bench.read_text(encoding="utf-8")
    text = re.sub(r'(ratio_error = "[^"]*", uncertainty = )"[^"]*"', rf'\1"{UNCERTAINTY * 100:g} %"', text)
    text = text.replace('uncertainty = "0.2 %" ', 'uncertainty = "0.05 %" ')
    rows = ", ".join(
        f'{{ reading = "{at}", frequency = "50 Hz", error = "0 %", uncertainty = "0.03 %" }}'
        for at in ("100 mA", "1 A")
    )
    text = re.sub(
        r'(full_scale = "1 A", of_reading = )"[^"]*"([^}]*?) \}', rf'\1"0.03 %"\2, corrections = [{rows}] }}', text
    )
    bench.write_text(text, encoding="utf-8")
    return load_inputs(device, bench, "bench_check", Options())


def test_the_check_of_the_bench_catches_it(tmp_path: Path) -> None:
    """|E_n| <= 1 (ISO/IEC 17043): three times U of the transformer is more than U of the whole comparison."""
    inputs = _checked(tmp_path)
    for seed in range(10):
        sound, off = (_run(inputs, off=by, seed=seed).bench_check for by in (0.0, 3 * UNCERTAINTY))
        assert sound is not None
        assert off is not None
        assert sound.verdict == "pass"
        assert off.verdict == "fail"
        assert any("reference transformer" in line.source for line in off.budget)


@pytest.mark.parametrize("slope", [-0.0033, 0.0033])
def test_one_that_changes_with_the_current_contradicts_the_turns(tmp_path: Path, slope: float) -> None:
    """Turns are whole: ranges that read them at other currents of the reference, and the same ampere-turns, find none."""
    results = _run(load_inputs(*new(tmp_path), "current_ratio", Options()), slope=slope)
    turns = [r.effective_turns for r in results.ranges[1:]]
    assert any(t is not None and abs(t.value - t.nearest) > t.expanded_uncertainty for t in turns)
    assert results.diagnosis[0].label != "none"
    assert results.verdict == "fail"
    assert results.contradictions


def test_one_that_is_off_alike_at_every_current_shows_in_no_reading(tmp_path: Path) -> None:
    """What is common to all ranges is the meter's as well as the reference's; the check of the bench alone tells them apart."""
    sound, off = (
        _run(load_inputs(*new(tmp_path / str(by)), "current_ratio", Options()), off=by) for by in (0.0, 0.0006)
    )
    assert not off.contradictions
    for a, b in zip(sound.ranges, off.ranges, strict=True):
        if a.effective_turns is not None and b.effective_turns is not None:
            assert b.effective_turns.value == pytest.approx(a.effective_turns.value, rel=1e-4)
        shifts = [q.ratio_error.value - p.ratio_error.value for p, q in zip(a.points, b.points, strict=True)]
        assert sum(shifts) / len(shifts) == pytest.approx(-0.0006, rel=0.1)
    assert sum(r.effective_turns is not None for r in off.ranges) >= 2
