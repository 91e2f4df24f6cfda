"""A record certified from the command line: what is said when it is stopped, and old records whose files contradict each other."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

from harness.command_line import main
from harness.commands.new import BENCH_BY_HAND, new
from harness.core.stop import SIGNALS
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from tests.hands import Hands, by


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run by hand, of a time when the two files might state two serial numbers of one meter."""
    folder = tmp_path_factory.mktemp("run")
    device, bench = new(folder, BENCH_BY_HAND)
    device.write_text(device.read_text(encoding="utf-8").replace('"40117"', '"2207"'), encoding="utf-8")
    run = by(Hands(), load_inputs(device, bench, "turns_check", Options(readings=2)))
    run.run()
    (folder / "record.jsonl").write_bytes(run.content)
    return folder / "record.jsonl"


@pytest.fixture
def handlers() -> Iterator[None]:
    """A command that was stopped ignores further signals to the end of its process, which here is that of the tests."""
    before = {number: signal.getsignal(number) for number in SIGNALS}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def test_a_record_whose_files_state_two_serial_numbers_is_certified_all_the_same(record: Path, tmp_path: Path) -> None:
    assert main(["certify", str(record), "--out", str(tmp_path)]) == 0
    assert (tmp_path / "certificate.pdf").exists()


@pytest.mark.parametrize("moment", ["show_verdict", "write_table"])
def test_a_stop_after_the_certificate_says_what_was_written(
    record: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    handlers: None,
    moment: str,
) -> None:
    kept = record.read_bytes()
    monkeypatch.setattr(f"harness.commands.finished_run.{moment}", lambda *_: signal.raise_signal(signal.SIGINT))
    table = tmp_path / "points.csv"
    assert main(["certify", str(record), "--out", str(tmp_path), "--table", str(table)]) == 3
    told = capsys.readouterr().err
    assert f"results and certificate are in {tmp_path}; {table} was not written, and the record is as it was" in told
    assert "energised" not in told
    assert sorted(p.name for p in tmp_path.iterdir()) == ["certificate.pdf", "results.json"]
    assert record.read_bytes() == kept


def test_certifying_loads_nothing_that_speaks_to_instruments(record: Path, tmp_path: Path) -> None:
    code = "import sys; from harness.command_line import main; main(sys.argv[1:]); print(*sys.modules)"
    command = [sys.executable, "-c", code, "certify", str(record), "--out", str(tmp_path)]
    loaded = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    assert "harness.audit.forged_lines" in loaded
    ours = ("harness.run.runner", "harness.run.run_context", "harness.station.wires", "instruments.links.visa_link")
    unwanted = (*ours, "simulated", "pyvisa", "rich")
    assert all(find_spec(name) for name in unwanted)
    assert not set(unwanted) & set(loaded)
