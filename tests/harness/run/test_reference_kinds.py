"""Whole runs on the simulated bench through every kind of reference path."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.commands.bench_prompt import BenchPrompt
from harness.commands.new import BENCH_BY_HAND, new
from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options
from tests.characteristic import characteristic
from tests.on_twin import TwinRun

SHUNT = """kind = "shunt"
[reference_path.part]
serial = "S-31"
calibration = { certificate = "QB-1980", date = 2026-01-10, due = 2030-01-10, laboratory = "Weir Standards" }
resistance = "1 mohm"
rated_current = "100 A"
power_rating = "10 W"
temperature_coefficient = "0.001 %/K"
self_heating = "2 K/W"
calibrated = [
  { current = "1 A", frequency = "50 Hz", resistance = "1.0100 mohm", uncertainty = "0.02 %" },
  { current = "100 A", frequency = "50 Hz", resistance = "1.0104 mohm", uncertainty = "0.02 %" },
]
"""
SMALL_SHUNT = """kind = "shunt"
[reference_path.part]
serial = "S-30"
resistance = "10 mohm"
rated_current = "15 A"
power_rating = "3 W"
temperature_coefficient = "0.002 %/K"
self_heating = "6 K/W"
bound = "0.5 %"
lowest_current = "10 mA"
"""
CLAMP = """kind = "clamp"
loops = 2
position = "0.1 %"
[reference_path.part]
serial = "C-12"
resistance = "10 mV/A"
rated_current = "200 A"
bound = "0.5 %"
lowest_current = "0.5 A"
"""
DIRECT = 'kind = "direct"\n'


def bench_with(folder: Path, path: str, *, volts: bool = False, procedure: str = "turns_check") -> RunInputs:
    """The bench that `new` writes, with another reference path; `volts`: its reference reads those instead of amperes."""
    device, bench = new(folder)
    text = bench.read_text(encoding="utf-8")
    head, _, rest = text.partition("[reference_path]\n")
    rest = rest[rest.index("[environment]") :]
    if volts:
        rest = re.sub(r'(full_scale|resolution) = "([\d.]+ [mnu]?)A"', r'\1 = "\2V"', rest)
    bench.write_text(f"{head}[reference_path]\n{path}\n{rest}", encoding="utf-8")
    return load_inputs(device, bench, procedure, Options())


def _error_of_reference(inputs: RunInputs, run: TwinRun) -> list[tuple[float, float]]:
    """(what the reference current of a point is off by, its U), from the ratio error against the truth of the simulated bench."""
    results = run.results()
    return [
        (
            p.ratio_error.value - characteristic(run.bench).ratio_error(r.name, p.reference_current),
            p.ratio_error.expanded_uncertainty,
        )
        for r in results.ranges
        for p in r.points
    ]


@pytest.mark.parametrize(
    ("path", "volts"), [(SHUNT, True), (CLAMP, True), (DIRECT, False)], ids=["shunt", "clamp", "direct"]
)
def test_what_is_found_is_what_is_there(tmp_path: Path, path: str, volts: bool) -> None:
    """The shunt is 1 % above its nominal resistance: without its certificate every error would be 1 % off."""
    inputs = bench_with(tmp_path, path, volts=volts)
    run = TwinRun(inputs)
    run.run()
    for off, expanded in _error_of_reference(inputs, run):
        assert abs(off) < expanded
    chain = run.results().reference_chain
    assert [link.part for link in chain][-1] == "reference instrument"
    assert [link.traceable for link in chain] == ([True] if path is DIRECT else [path is SHUNT, True])


def test_a_voltmeter_needs_a_path_to_read(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="expected them in A"):
        bench_with(tmp_path, DIRECT, volts=True)
    with pytest.raises(UserError, match="expected them in V"):
        bench_with(tmp_path / "other", SHUNT)


def test_a_run_below_what_was_calibrated_is_refused(tmp_path: Path) -> None:
    """The shunt is known from 1 A on, and the ladders of x20 begin at 40 mA."""
    found = rehearsal_of(bench_with(tmp_path, SHUNT, volts=True, procedure="current_ratio"), StopSignal())
    told = [p for p in found.problems if "would not be evaluated" in p]
    assert any("reference shunt S-31 carries" in p and "is calibrated from 1 A to 100 A" in p for p in told)
    by_name = {r.name: r for r in found.results.ranges}
    assert by_name["x20"].verdict == "fail"
    assert min(p.reference_current for p in by_name["x20"].points) > 0.9


def test_a_calibration_at_another_frequency_is_refused(tmp_path: Path) -> None:
    inputs = bench_with(tmp_path, SHUNT.replace("50 Hz", "60 Hz"), volts=True)
    told = [p for p in rehearsal_of(inputs, StopSignal()).problems if "would not be evaluated" in p]
    assert all("nothing is known of reference shunt S-31 at 50 Hz: it is calibrated from " in p for p in told)
    assert all(p.endswith("at 60 Hz") for p in told)
    assert len(told) == 3


def test_the_power_of_a_shunt_limits_the_test_current(tmp_path: Path) -> None:
    """P = I^2 R: 2.5 W in 1 mohm are 50 A."""
    inputs = bench_with(tmp_path, SHUNT.replace('"10 W"', '"2.5 W"'), volts=True, procedure="current_ratio")
    (x1, *_) = rehearsal_of(inputs, StopSignal()).results.ranges
    assert x1.ceiling == pytest.approx(50.0)
    assert x1.ceiling_set_by == "power rating of the reference shunt"


def test_a_person_reads_volts_across_a_shunt(tmp_path: Path) -> None:
    """The prompts speak of volts, a word of the simulated bench turns to a range in volts, and what is found is there."""
    device, bench = new(tmp_path, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    text = text.replace('kind = "direct"\n', SMALL_SHUNT)
    text = text.replace('"400 mA", of', '"40 mV", of').replace('"10 A", of', '"400 mV", of')
    text = text.replace('resolution = "10 uA"', 'resolution = "1 uV"').replace(
        'resolution = "1 mA"', 'resolution = "10 uV"'
    )
    bench.write_text(text, encoding="utf-8")
    inputs = load_inputs(device, bench, "turns_check", Options(readings=2))
    run = TwinRun(inputs)
    run.run()
    for off, expanded in _error_of_reference(inputs, run):
        assert abs(off) < expanded
    asked = [line["text"] for line in run.record.of_kind("prompt")]
    assert any("AC voltage, range 40 mV" in text or "AC voltage, range 400 mV" in text for text in asked)
    prompt = BenchPrompt(run.bench, inputs)
    assert prompt.answer("range 40 mV") == "multimeter at 40 mV"
    assert re.search(r"multimeter shows -?[\d.e-]+ V", prompt.answer("read"))


def test_an_analyser_plays_reference_and_meter_in_a_whole_run(tmp_path: Path) -> None:
    """Two of one kind, triggered for every reading; late replies are mended, and the turns of the template are found."""
    device_file, bench_file = new(tmp_path)
    text = bench_file.read_text(encoding="utf-8").replace('"scpi_multimeter"', '"scpi_power_analyser"')
    text = text.replace('"modbus_meter"', '"scpi_power_analyser"')
    bench_file.write_text(text.replace("modbus-rtu:monitor-port", "TCPIP::127.0.0.1::15029::SOCKET"), encoding="utf-8")
    run = TwinRun(load_inputs(device_file, bench_file, "turns_check", Options()), faults=("late-reply",))
    run.run()
    assert run.results().verdict == "pass"
