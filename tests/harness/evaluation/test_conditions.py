"""What was measured of the conditions of a run, and what is only stated."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import BENCH_POWER, new
from harness.core.errors import UserError
from harness.evaluation.conditions import at_the_frequency_measured, conditions, load_waveforms
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.shelf_entry import ShelfEntry
from harness.preparation.run_files import load_inputs
from harness.record.journal import Record
from harness.record.observations import ObservedPoint
from harness.results import Condition, LoadWaveform, Results
from harness.steps import Options
from simulated.simulated_bench import SimulatedBench
from tests.harness.evaluation.conftest import observed
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
    assert found["voltage"].stated is None


def test_a_voltage_is_told_where_power_was_read(tmp_path: Path) -> None:
    """230 V within 10 %: IEC 60038."""
    found = _named(_run(tmp_path, procedure="power_and_phase"))
    assert found["voltage"].measured == pytest.approx(230, rel=0.1)
    assert found["voltage"].instrument == "analyser P-0312"


def _read(frequency: float, reference: float = 2.5, **more: float) -> ObservedPoint:
    return observed("x1", 50.0, [50.0], references=[reference], also={"reference_frequency": frequency, **more})


def test_what_a_sensor_and_the_reference_read_is_told_with_mean_and_span(device: Device, bench: Bench) -> None:
    """Means and spans of what was read, elementary; humidity is recorded in percent and told as a fraction."""
    roles = bench.roles.model_copy(update={"environment": "hand", "voltage": "monitor"})
    there = bench.model_copy(
        update={"roles": roles, "environment": bench.environment.model_copy(update={"temperature": 22.0})}
    )
    lines = (
        {"kind": "identity", "instrument": "multimeter", "serial": "M-1"},
        {"kind": "identity", "instrument": "hand", "serial": "S-1"},
        {"kind": "identity", "instrument": "hand", "serial": "S-2"},
        {"kind": "environment", "temperature": 21.0, "relative_humidity": 40.0},
        {"kind": "environment", "temperature": 24.0, "relative_humidity": None},
        {"kind": "environment", "temperature": 24.0},
    )
    # With no current flowing nothing else counts either.
    points = [_read(49.8, reference_voltage=231.0), _read(50.4, reference_voltage=228.0), _read(60.0, reference=0.0)]
    record = Record(lines, b"", "")
    found = {c.name: c for c in conditions(device, there, bench, record, points)}
    assert found["frequency"] == Condition("frequency", "Hz", 50.0, pytest.approx(50.1), 49.8, 50.4, "multimeter M-1")
    assert found["voltage"] == Condition("voltage", "V", None, pytest.approx(229.5), 228.0, 231.0, "monitor")
    assert found["temperature"] == Condition("temperature", "degC", 23.0, pytest.approx(23.0), 21.0, 24.0, "hand S-2")
    assert found["relative humidity"] == Condition("relative humidity", "1", None, 0.4, 0.4, 0.4, "hand S-2")


@pytest.mark.parametrize(("measured", "agrees"), [(50.5, True), (49.5, True), (50.6, False), (49.4, False)])
def test_a_frequency_one_percent_away_is_still_the_one_stated(device: Device, measured: float, agrees: bool) -> None:
    """IEC 61869-1: accuracy is stated for 99 % to 101 % of the rated frequency (value from memory); half a hertz of 50, the ends included."""
    there, reasons = at_the_frequency_measured(device, [_read(measured)])
    assert there.transformer.frequency == (50.0 if agrees else measured)
    assert bool(reasons) is not agrees
    assert at_the_frequency_measured(device, []) == (device, [])


def test_a_profile_that_cannot_read_a_frequency_is_refused(tmp_path: Path) -> None:
    device, bench = new(tmp_path)
    text = bench.read_text(encoding="utf-8")
    text = text.replace('serial = "M-0871"\n', 'serial = "M-0871"\nfrequency = { of_reading = "0.02 %" }\n')
    bench.write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match=r"instruments\.multimeter\.frequency"):
        TwinRun(load_inputs(device, bench, "turns_check", Options())).run()


def test_of_every_load_used_is_told_what_is_stated_of_its_waveform(bench: Bench) -> None:
    """A load driven over a link may state its distortion; of those on a shelf each stands for itself, if a point was taken with it."""
    points = [observed("x1", 1.0, [1.0]), observed("x1", 2.0, [2.0]), observed("x1", 0.0, [0.0])]
    assert load_waveforms(bench, points) == (LoadWaveform(bench.roles.load, None, None),)
    entry = bench.entry("load").model_copy(update={"distortion": 0.005})
    told = bench.model_copy(update={"instruments": {**bench.instruments, bench.roles.load: entry}})
    assert load_waveforms(told, points) == (LoadWaveform(bench.roles.load, True, 0.005),)
    assert load_waveforms(told, points[2:]) == ()
    shelf = tuple(
        ShelfEntry(name=name, current=current, sinusoidal=sine)
        for name, current, sine in (("iron", "1 A", True), ("dimmer", "2 A", False), ("lamp", "3 A", None))
    )
    entry = bench.entry("load").model_copy(update={"profile": "person", "address": "", "shelf": shelf})
    told = bench.model_copy(update={"instruments": {**bench.instruments, bench.roles.load: entry}})
    assert load_waveforms(told, points) == (LoadWaveform("iron", True), LoadWaveform("dimmer", False))
