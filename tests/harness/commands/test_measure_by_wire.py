"""The command with the meter on a serial line: somebody turns the switch and plugs the load in, and types no reading."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.command_line import main
from harness.commands.load_session import not_checked
from harness.commands.new import BENCH_POWER
from harness.wording.results_file import from_json
from simulated.simulated_bench import SimulatedBench
from simulated.transports.link_faults import Schedule
from tests.harness.commands import test_measure
from tests.harness.commands.served_bench import served_bench
from tests.harness.commands.test_reading import results_file as results_file

power_results = test_measure.results_file


def acting(monkeypatch: pytest.MonkeyPatch, bench: SimulatedBench, amperes: float, plate: float = 0.25) -> list[str]:
    """Do on `bench` what is asked, with a load of `amperes`, whose rating plate says `plate`; the questions asked."""
    asked: list[str] = []

    def answer(text: str) -> str:
        asked.append(text)
        plain = " ".join(text.split())
        if "nplug" in plain and "Plug" not in plain:
            bench.plug(0)
        if turned := re.search(r"range switch to (\S+),", plain):
            bench.turn_switch(turned[1])
        if plain.startswith("Plug"):
            bench.plug(amperes)
        if "unplugged when nothing" in plain:
            return "unplugged"
        if "rating plate" in plain:
            return f"{plate} A"
        return "yes" if "cautions" in plain else "done"

    monkeypatch.setattr("instruments.operator.keyboard.at_terminal", lambda: True)
    monkeypatch.setattr("harness.core.stop.keyboard.ask", answer)
    return asked


def by_wire(results: Path, bench: Path, out: Path, *more: str) -> int:
    arguments = ["--load", "lamp", "--bench", str(bench), "--interval", "0.6 s", "--readings", "4", "--out", str(out)]
    return main(["measure", str(results), *arguments, *more])


@pytest.mark.parametrize(("amperes", "range_name"), [(0.15, "x20"), (0.5, "x4")])
def test_a_load_is_read_over_the_line(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, amperes: float, range_name: str
) -> None:
    with served_bench(tmp_path) as (bench_file, bench):
        asked = acting(monkeypatch, bench, amperes)
        assert by_wire(results_file, bench_file, tmp_path / "out") == 0
        true = amperes * bench._load_spread
        assert not bench.truth().load_on
        assert not bench.truth().switched_under_load
        assert not bench.truth().input_overdriven
    found = json.loads((tmp_path / "out" / "load.json").read_text(encoding="utf-8"))
    assert found["range_name"] == range_name
    assert abs(found["current"]["value"] - true) <= found["current"]["expanded_uncertainty"] + 2e-4 * true
    assert len(found["currents"]) == 4
    assert not any("the meter shows" in text for text in asked)
    with (tmp_path / "out" / "load-readings.csv").open(encoding="utf-8", newline="") as kept:
        assert len(list(csv.DictReader(kept))) == 4


def by_scpi(text: str) -> str:
    """The bench file with a meter that speaks SCPI over a socket."""
    own = re.compile(
        r'profile = "modbus_power_meter"\naddress = .*\n((?:serial|timeout) = .*\n)((?:serial|timeout) = .*\n).*\n.*\n'
    )
    entry = 'profile = "scpi_power_analyser"\naddress = "TCPIP::127.0.0.1::15099::SOCKET"\n'
    changed, count = own.subn(lambda found: entry + found[1] + found[2], text)
    assert count == 1
    return changed


@pytest.mark.parametrize("change", [str, by_scpi])
def test_power_is_read_over_modbus_and_scpi_alike(
    power_results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[str], str]
) -> None:
    with served_bench(tmp_path, BENCH_POWER, change=change) as (bench_file, bench):
        acting(monkeypatch, bench, 0.2)
        voltage = bench.measure("reference").voltage
        more = ("--voltage", f"{voltage:.1f} V", "--voltage-error", "2 V")
        assert by_wire(power_results, bench_file, tmp_path / "out", *more) == 0
        true = 0.2 * bench._load_spread
    found = json.loads((tmp_path / "out" / "load.json").read_text(encoding="utf-8"))
    assert abs(found["current"]["value"] - true) <= found["current"]["expanded_uncertainty"] + 5e-4 * true
    assert (
        abs(found["power"]["value"] - true * voltage) <= found["power"]["expanded_uncertainty"] + 0.01 * true * voltage
    )
    assert len(found["powers"]) == 4


def test_more_than_a_range_withstands_is_seen_by_the_program(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with served_bench(tmp_path) as (bench_file, bench):
        asked = acting(monkeypatch, bench, 95.0)
        assert by_wire(results_file, bench_file, tmp_path / "out") == 3
        assert not bench.truth().load_on
    assert "flows on range x1, which withstands 80 A; lamp is unplugged" in capsys.readouterr().err
    assert asked[-1].startswith("lamp: switch it off and unplug it.")


def test_a_late_answer_is_asked_for_again_and_a_dead_line_ends_it_with_the_load_unplugged(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for faults, status in (({6: "mute"}, 0), (dict.fromkeys(range(12, 60), "mute"), 3)):
        schedule = Schedule(faults)
        with served_bench(tmp_path, schedules={"monitor": schedule}) as (bench_file, bench):
            acting(monkeypatch, bench, 0.15)
            assert by_wire(results_file, bench_file, tmp_path / str(status)) == status
            assert not bench.truth().load_on
        assert schedule.counts["mute"] > 0
    assert "monitor at" in capsys.readouterr().err


def test_another_meter_or_one_read_by_eye_is_refused(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    data = json.loads(results_file.read_text(encoding="utf-8"))
    for instrument in data["instruments"]:
        instrument["serial"] = instrument["serial"] + "x"
    other = tmp_path / "other.json"
    other.write_text(json.dumps(data), encoding="utf-8")
    with served_bench(tmp_path) as (bench_file, bench):
        asked = acting(monkeypatch, bench, 0.15)
        assert by_wire(other, bench_file, tmp_path / "out") == 2
        assert "serial 40117 answers, and 40117x was verified" in capsys.readouterr().err
        assert by_wire(results_file, bench_file, tmp_path / "out", "--cycles", "2") == 2
        assert "the meter's profile has no energy register" in capsys.readouterr().err
        text = re.sub(r'profile = "modbus_meter"\naddress = .*', 'profile = "person"', bench_file.read_text("utf-8"))
        bench_file.write_text(re.sub(r"(baud_rate|unit_id) = .*\n", "", text), encoding="utf-8")
        assert by_wire(results_file, bench_file, tmp_path / "out") == 2
        assert "instruments.monitor is read by a person: leave --bench out" in capsys.readouterr().err
    assert asked == []


def test_a_serial_that_cannot_be_compared_is_told_on_the_sheet(
    results_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    data = json.loads(results_file.read_text(encoding="utf-8"))
    assert not_checked("40117", from_json(json.dumps(data))) == []
    assert "tells none" in not_checked("", from_json(json.dumps(data)))[0]
    for instrument in data["instruments"]:
        instrument["serial"] = ""
    other = tmp_path / "other.json"
    other.write_text(json.dumps(data), encoding="utf-8")
    with served_bench(tmp_path) as (bench_file, bench):
        acting(monkeypatch, bench, 0.15)
        assert by_wire(other, bench_file, tmp_path / "out") == 0
    found = json.loads((tmp_path / "out" / "load.json").read_text(encoding="utf-8"))
    assert any("was not checked (the results hold none)" in said for said in found["not_included"])
    assert "was not checked" in capsys.readouterr().out
