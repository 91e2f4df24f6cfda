"""A meter exchanged in mid-run: every point passes, and the run is no evidence."""

import dataclasses
import io
from pathlib import Path

import pytest
from pypdf import PdfReader
from rich.console import Console

from harness.commands.certify import CertifyOptions, certify
from harness.commands.new import new
from harness.commands.summary_lines import CERTIFICATE, RESULTS
from harness.core.errors import UserError
from harness.core.progress import Progress
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from harness.wording.results_file import read_results
from tests.in_words import in_words
from tests.on_twin import TwinRun


class ExchangedAfterTheFirstRange(Progress):
    """Puts another module into the simulated meter, half a percent higher, when the first range is done."""

    def __init__(self) -> None:
        self.twin: TwinRun | None = None

    def finished_point(self, index: int, name: str, ratio_error: float | None, limit: float | None) -> None:
        """After each point of the run."""
        if name == "x1 down 0.8 A" and self.twin is not None:
            display = self.twin.bench._display
            display._module = dataclasses.replace(display._module, gain=display._module.gain * 1.005)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of the run with the exchange."""
    folder = tmp_path_factory.mktemp("exchanged")
    progress = ExchangedAfterTheFirstRange()
    twin = TwinRun(load_inputs(*new(folder / "pair"), "current_ratio", Options()), progress=progress)
    progress.twin = twin
    twin.run()
    file = folder / "record.jsonl"
    file.write_bytes(twin.content)
    return file


def test_a_meter_exchanged_in_mid_run_does_not_pass(record: Path, tmp_path: Path) -> None:
    """All points are inside the claim of 1 %; x4 and x20 are not four and twenty turns of the meter that x1 was read on."""
    told = io.StringIO()
    assert certify(CertifyOptions(record, tmp_path), Console(file=told, width=500)) == 1
    results = read_results(tmp_path / RESULTS)
    assert all(p.ratio_error.verdict == "pass" for r in results.ranges for p in r.points)
    assert results.verdict == "fail"
    assert [r.verdict for r in results.ranges] == ["pass", "fail", "fail"]
    for found, nearest in zip(results.ranges[1:], (4, 20), strict=True):
        assert found.effective_turns is not None
        assert found.effective_turns.value == pytest.approx(1.005 * nearest, rel=1e-3)
        assert not found.effective_turns.holds_whole_number
        assert any(f"{found.name}: " in r and "is no whole number" in r for r in in_words(results.reasons))
    assert "--override contradiction" in told.getvalue()


def test_an_override_by_name_is_printed_on_the_certificate(record: Path, tmp_path: Path) -> None:
    """It is the user's word against the readings', and a reader of the certificate must know."""
    assert certify(CertifyOptions(record, tmp_path, overrides=("contradiction",)), Console(file=io.StringIO())) == 0
    pages = "".join(page.extract_text() for page in PdfReader(tmp_path / CERTIFICATE).pages)
    assert "overridden by the operator" in pages
    assert "contradiction: x4: " in pages
    assert read_results(tmp_path / RESULTS).contradictions


def test_nothing_to_override_is_told(tmp_path: Path) -> None:
    """A flag given out of habit would set aside what nobody has looked at."""
    twin = TwinRun(load_inputs(*new(tmp_path / "pair"), "turns_check", Options()))
    twin.run()
    (tmp_path / "record.jsonl").write_bytes(twin.content)
    with pytest.raises(UserError, match="do not contradict each other"):
        certify(
            CertifyOptions(tmp_path / "record.jsonl", tmp_path, overrides=("contradiction",)),
            Console(file=io.StringIO()),
        )
