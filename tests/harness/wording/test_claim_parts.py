"""What of a claim a run verified.

ISO/IEC 17025:2017, 7.8.6.2: a statement of conformity says to which results it applies, and which parts of the specification are met or not met.
IEC 61869-2:2012, 5.6.201: classes 0.1 to 1, 0.2S and 0.5S limit the ratio error and the phase displacement (clause from memory).
"""

import dataclasses
import functools
import io
import tempfile
from pathlib import Path

from rich.console import Console

from harness.commands.new import BENCH_BY_HAND, BENCH_POWER, new
from harness.commands.rehearsal_sheet import rehearsed, show_rehearsal
from harness.commands.summary_lines import summary_lines
from harness.core.stop import StopSignal
from harness.preparation.run_files import load_inputs
from harness.results import Results
from harness.steps import Options
from harness.wording.claim_parts import claim_text
from tests.on_twin import TwinRun
from tests.reports import sample_results
from tests.reports.paper_text import body_of, squeezed


@functools.cache
def of_class(accuracy_class: str, procedure: str) -> Results:
    """A run of a meter that claims a class of current transformers and nothing else."""
    with tempfile.TemporaryDirectory() as folder:
        options = Options(readings=2, per_decade=1, hold=60.0)
        inputs = load_inputs(*new(Path(folder), BENCH_POWER), procedure, options)
        claim = type(inputs.device.claim)(accuracy_class=accuracy_class)
        text = inputs.device_text
        start = text.index("[claim]")
        end = text.index("\n[", start)
        told = f'[claim]\naccuracy_class = "{accuracy_class}"\n'
        device = inputs.device.model_copy(update={"claim": claim})
        twin = TwinRun(dataclasses.replace(inputs, device=device, device_text=text[:start] + told + text[end:]))
        twin.run()
        return twin.results()


def test_a_class_of_which_the_phase_was_not_measured_is_not_called_verified() -> None:
    results = of_class("0.5S", "current_ratio")
    front = body_of(results)
    ratio, phase = results.device.claim
    assert (ratio.error, ratio.verified) == ("ratio error", True)
    assert (phase.error, phase.verified) == ("phase displacement", False)
    assert ratio.limit == phase.limit
    assert claim_text(results.claim_not_verified).startswith("phase displacement of class 0.5S of IEC 61869-2")
    assert results.verdict == "pass"
    assert squeezed("Its claim of phase displacement was not verified: nothing is stated of it.") in front
    assert squeezed("The meter under test met its claim of ratio error at every point verified.") in front
    assert f"  claimed but not verified in this run: {claim_text([phase])}" in summary_lines(results, Path())


def test_where_both_were_measured_nothing_is_left_out() -> None:
    results = of_class("0.5S", "power_and_phase")
    assert results.claim_not_verified == ()
    assert "not verified" not in "".join(summary_lines(results, Path()))


def test_a_claim_of_ratio_error_alone_is_verified_by_ratio_errors() -> None:
    results = sample_results.passing()
    assert results.claim_not_verified == ()
    assert squeezed("The meter under test met its claim at every point verified.") in body_of(results)


def test_a_rehearsal_tells_what_part_of_a_claim_the_loads_reach() -> None:
    with tempfile.TemporaryDirectory() as folder:
        device, bench = new(Path(folder), BENCH_BY_HAND)
        text = bench.read_text()
        bench.write_text("\n".join(x for x in text.splitlines() if not x.startswith("  { name") or '"3.3 A"' in x))
        inputs = load_inputs(device, bench, "current_ratio", Options(readings=1))
        console = Console(record=True, width=200, file=io.StringIO())
        show_rehearsal(inputs, rehearsed(inputs, StopSignal(), console), console)
    assert "of what is claimed: the rest is not verified" in console.export_text()
