"""What a bench may have besides the four parts: a sensor for the conditions, a trigger that starts both readings."""

from pathlib import Path
from typing import Any

import pytest

from harness.commands.new import new
from harness.core.errors import UserError
from harness.preparation.run_files import RunInputs, load_inputs
from harness.record.history import device_and_bench
from harness.steps import Options
from tests.on_twin import TwinRun

SENSOR = """
[instruments.hygrometer]
profile = "scpi_environment"
address = "TCPIP::127.0.0.1::15028::SOCKET"
serial = "H-0012"
"""


def inputs_with(folder: Path, *changes: tuple[str, str], after: str = "") -> RunInputs:
    """The template's files with texts of the bench file replaced and `after` appended."""
    device, bench = new(folder)
    text = bench.read_text(encoding="utf-8")
    for was, becomes in changes:
        assert was in text
        text = text.replace(was, becomes)
    bench.write_text(text + after, encoding="utf-8")
    return load_inputs(device, bench, "turns_check", Options())


def test_a_sensor_is_read_at_the_start_and_goes_before_what_was_typed(tmp_path: Path) -> None:
    """The conditions of the results are those the sensor read; relative humidity is a fraction there."""
    changes = (('switch = "relay"', 'switch = "relay"\nenvironment = "hygrometer"'), ('"23 degC"', '"5 degC"'))
    twin = TwinRun(inputs_with(tmp_path, *changes, after=SENSOR))
    twin.run()
    (line,) = twin.record.of_kind("environment")
    environment = device_and_bench(twin.record)[1].environment
    assert environment.temperature == line["temperature"] != 5.0
    assert environment.relative_humidity == pytest.approx(line["relative_humidity"] / 100)
    results = twin.results()
    assert results.verdict == "pass", results.reasons
    assert results.run.temperature == line["temperature"]
    told = {c.name: c for c in results.conditions}
    assert (told["temperature"].stated, told["temperature"].measured) == (5.0, line["temperature"])
    assert told["temperature"].instrument == told["relative humidity"].instrument == "hygrometer H-0012"
    assert told["frequency"].instrument == ""


def test_a_sensor_nobody_described_is_one_line(tmp_path: Path) -> None:
    """The role names an instrument of the bench file."""
    with pytest.raises(UserError, match=r"roles\.environment = 'hygrometer'"):
        inputs_with(tmp_path, ('switch = "relay"', 'switch = "relay"\nenvironment = "hygrometer"'))


def test_two_with_a_trigger_are_armed_fired_and_fetched_together(tmp_path: Path) -> None:
    """Both stand ready before either starts; the readings of a pair are of the same stretch of time."""
    changes = (
        ('"scpi_multimeter"', '"scpi_power_analyser"'),
        ('"modbus_meter"', '"scpi_power_analyser"'),
        ("modbus-rtu:monitor-port", "TCPIP::127.0.0.1::15029::SOCKET"),
    )
    twin = TwinRun(inputs_with(tmp_path, *changes))
    sent: dict[str, list[str]] = {"multimeter": [], "monitor": []}
    for name, words in sent.items():
        terminal: Any = twin.bench.terminal(name)
        execute = terminal.execute
        terminal.execute = lambda message, e=execute, w=words: (w.append(message), e(message))[1]
    twin.run()
    assert twin.results().verdict == "pass"
    readings = list(twin.record.of_kind("reading"))
    for words in sent.values():
        order = [w for w in words if w in ("INITiate", "*TRG") or w.startswith("FETCh")]
        assert order.count("*TRG") >= len(readings) > 0
        assert order == ["INITiate", "*TRG", "FETCh:CURRent:AC?"] * order.count("*TRG")
    assert all(abs(r["reference"]["started"] - r["displayed"]["started"]) < 0.05 for r in readings), (
        "fetched at the same time"
    )
