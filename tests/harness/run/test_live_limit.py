"""What is said while a run goes on and what its evaluation says afterwards go by one limit, and by none outside the claim."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from pypdf import PdfReader
from rich.console import Console

from harness.claims.limits_of_error import claimed_limit
from harness.commands.new import BENCH, new, template
from harness.core.progress import Progress, TerminalProgress
from harness.files.loading import parse_device
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from reports.certificate import certificate
from tests.in_words import in_words
from tests.on_twin import TwinRun

BESIDE = '''
from harness.steps import Apply, Observe, Release, Select, procedure


@procedure(title="Beside the claim", revision="1")
def beside(device, options):
    """Half the smallest current claimed, that current, and four times it."""
    for rng in device.ranges:
        yield Select(rng)
        for part in (0.5, 1.0, 4.0):
            yield Apply(part * rng.minimum_current)
            yield Observe(f"{rng.name} {part}", options.readings, "single")
        yield Release()
'''


class Heard(Progress):
    """Remembers what was said of every point."""

    def __init__(self) -> None:
        self.said: dict[str, tuple[float | None, float | None]] = {}

    def finished_point(self, index: int, name: str, ratio_error: float | None, limit: float | None) -> None:
        """Remember it."""
        self.said[name] = ratio_error, limit


@pytest.mark.parametrize("accuracy_class", [False, True])
def test_live_view_and_evaluation_go_by_one_limit(tmp_path: Path, accuracy_class: bool) -> None:
    """At every point of a whole run; the reference's corrections, which the live view leaves out, are far below 1 % of the limit."""
    device, bench = new(tmp_path, BENCH)
    if accuracy_class:
        text = (
            device.read_text(encoding="utf-8")
            .replace('of_reading = "1 %"', 'accuracy_class = "3"')
            .replace("counts = 2 ", "# ")
        )
        # Class 3 claims nothing below half the rated current.
        for smallest, half in (('"0.8 A"', '"45 A"'), ('"0.2 A"', '"11 A"'), ('"40 mA"', '"2.2 A"')):
            text = text.replace(f"minimum_current = {smallest}", f"minimum_current = {half}")
        device.write_text(text, encoding="utf-8")
    heard = Heard()
    twin = TwinRun(load_inputs(device, bench, "current_ratio", Options(readings=2)), progress=heard)
    twin.run()
    points = [p for r in twin.results().ranges for p in r.points]
    assert len(points) > 5
    for point in points:
        error, limit = heard.said[point.name]
        assert error is not None
        assert limit == pytest.approx(point.ratio_error.limit, rel=0.01)
        assert (abs(error) <= (limit or 0.0)) == (abs(point.ratio_error.value) <= (point.ratio_error.limit or 0.0))


def test_nothing_is_judged_below_what_is_claimed(tmp_path: Path) -> None:
    """In the live view, the evaluation and on the certificate alike."""
    device, bench = new(tmp_path, BENCH)
    own = tmp_path / "beside.py"
    own.write_text(BESIDE, encoding="utf-8")
    heard = Heard()
    twin = TwinRun(load_inputs(device, bench, str(own), Options(readings=4)), progress=heard)
    twin.run()
    results = twin.results()
    for rng in results.ranges:
        below, *claimed = rng.points
        assert heard.said[below.name][0] is not None
        assert heard.said[below.name][1] is None
        assert below.ratio_error.conformity is None
        assert all(p.ratio_error.verdict is not None and p.ratio_error.limit is not None for p in claimed)
        assert any("1 of 3 points lie outside the currents claimed" in remark for remark in in_words(rng.remarks))
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(certificate(results))).pages)
    assert "lie outside the currents claimed and have no verdict" in text.replace("\n", " ")


def test_a_point_a_little_short_of_the_claim_is_judged_as_at_its_end() -> None:
    """No load meets a current exactly: within 5 % of an end the limit is that of the end; beyond there is none."""
    device = parse_device(template("device.toml"), "device.toml")
    rng = device.ranges[0]
    end = claimed_limit(device, rng, rng.minimum_current)
    assert end is not None
    assert claimed_limit(device, rng, 0.96 * rng.minimum_current) == end
    assert claimed_limit(device, rng, 0.94 * rng.minimum_current) is None
    assert claimed_limit(device, rng, 1.04 * rng.maximum_current) == claimed_limit(device, rng, rng.maximum_current)
    assert claimed_limit(device, rng, 1.06 * rng.maximum_current) is None


def test_a_point_outside_the_claim_is_told_without_a_limit() -> None:
    console = Console(file=io.StringIO())
    with TerminalProgress(console, [1.0, 2.0]) as progress:
        progress.finished_point(0, "x1 0.5", 0.01, None)
    assert isinstance(console.file, io.StringIO)
    assert "x1 0.5: ratio error +1.00 %, outside the currents claimed" in console.file.getvalue()
