"""A finished record certified again with `--monte-carlo`: what the terminal, the results and the certificate say."""

import io
from pathlib import Path

from pypdf import PdfReader
from rich.console import Console

from harness.commands.certify import CertifyOptions, certify
from harness.commands.new import new
from harness.commands.summary_lines import CERTIFICATE, RESULTS
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from harness.wording.results_file import read_results
from tests.on_twin import TwinRun


def test_a_record_is_validated_when_it_is_certified(tmp_path: Path) -> None:
    """Every ratio error and every range's turns; the same again byte for byte; nothing of it unasked."""
    device, bench = new(tmp_path / "pair")
    twin = TwinRun(load_inputs(device, bench, "turns_check", Options()))
    twin.run()
    record = tmp_path / "record.jsonl"
    record.write_bytes(twin.content)
    told = io.StringIO()
    console = Console(file=told)
    for folder in ("one", "two"):
        assert certify(CertifyOptions(record, tmp_path / folder, trials=200_000), console) == 0
    results = read_results(tmp_path / "one" / RESULTS)
    assert results.validation is not None
    names = [q.name for q in results.validation.quantities]
    assert len(names) == sum(len(r.points) + 1 + (r.effective_turns is not None) for r in results.ranges)
    agreeing = sum(q.outcome == "agrees" for q in results.validation.quantities)
    assert f"validated by 200,000 trials (JCGM 101): {agreeing} of {len(names)} agree" in told.getvalue()
    assert (tmp_path / "one" / RESULTS).read_bytes() == (tmp_path / "two" / RESULTS).read_bytes()
    assert (tmp_path / "one" / CERTIFICATE).read_bytes() == (tmp_path / "two" / CERTIFICATE).read_bytes()
    pages = "".join(page.extract_text() for page in PdfReader(tmp_path / "one" / CERTIFICATE).pages)
    assert "Validation by Monte Carlo" in pages

    assert certify(CertifyOptions(record, tmp_path / "plain"), console) == 0
    assert read_results(tmp_path / "plain" / RESULTS).validation is None
