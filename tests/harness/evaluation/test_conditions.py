"""What was measured of the conditions of a run, and what is only stated."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import BENCH_POWER, new
from harness.core.errors import UserError
from harness.preparation.run_files import load_inputs
from harness.results import Condition, Results
from harness.steps import Options
from simulated.bench import SimulatedBench
from tests.in_words import in_words
from tests.on_twin import TwinRun


def _run(folder: Path, kind: str = BENCH_POWER, *, frequency: float = 50.0, procedure: str = "turns_check") -> Results:
    run = TwinRun(load_inputs(*new(folder, kind) if kind else new(folder), procedure, Options()))
    meter = replace(run.bench.description.meter, frequency=frequency)
    run.bench = SimulatedBench(replace(run.bench.description, meter=meter), run.clock)
    run.run()
    return run.results()


def _named(results: Results) -> dict[str, Condition]:
    return {c.name: c for c in results.conditions}


def test_a_frequency_that_was_measured_is_told_with_what_measured_it(tmp_path: Path) -> None:
    found = _named(_run(tmp_path))["frequency"]
    assert (found.stated, found.measured, found.instrument) == (50.0, 50.0, "analyser P-0312")


def test_a_run_at_60_hz_says_so(tmp_path: Path) -> None:
    """IEC 61869-1: accuracy is stated for 99 % to 101 % of the rated frequency (value from memory)."""
    results = _run(tmp_path, frequency=60.0)
    assert results.verdict == "fail"
    assert in_words(results.reasons)[0].startswith("the frequency measured was 60 Hz, the device file states 50 Hz")
    # The certificate of the reference transformer is one for 50 Hz, so nothing is known of it here.
    assert any(
        "nothing is known of reference transformer T-0415 at 60 Hz" in reason for reason in in_words(results.reasons)
    )
    assert not any(r.points for r in results.ranges)
    found = _named(results)["frequency"]
    assert (found.stated, found.measured) == (50.0, 60.0)


def test_what_nothing_measured_is_stated_or_not_known(tmp_path: Path) -> None:
    """The plain bench has a multimeter, which reads neither frequency nor voltage, and no sensor."""
    results = _run(tmp_path, "")
    found = _named(results)
    assert all(c.measured is None and c.instrument == "" for c in found.values())
    assert (found["frequency"].stated, found["temperature"].stated) == (50.0, 23.0)
    assert found["voltage"].stated is found["waveform"].stated is None


def test_a_voltage_is_told_where_power_was_read(tmp_path: Path) -> None:
    """230 V within 10 %: IEC 60038."""
    found = _named(_run(tmp_path, procedure="power_and_phase"))
    assert found["voltage"].measured == pytest.approx(230, rel=0.1)
    assert found["voltage"].instrument == "analyser P-0312"
    assert found["waveform"].measured is None


def test_a_profile_that_cannot_read_a_frequency_is_refused(tmp_path: Path) -> None:
    device, bench = new(tmp_path)
    text = bench.read_text(encoding="utf-8")
    text = text.replace('serial = "M-0871"\n', 'serial = "M-0871"\nfrequency = { of_reading = "0.02 %" }\n')
    bench.write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match=r"instruments\.multimeter\.frequency"):
        TwinRun(load_inputs(device, bench, "turns_check", Options())).run()
