"""From a record to results: which records are taken, and what of the files is told in words."""

from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import BENCH_POWER, new
from harness.evaluation.run_evaluation import _reference_path, evaluate
from harness.preparation.run_files import load_inputs
from harness.record.journal import RecordError
from harness.steps import Options
from tests.harness.run.test_reference_kinds import CLAMP, DIRECT, SHUNT, bench_with
from tests.on_twin import TwinRun


def test_only_a_run_that_came_to_its_end_is_evaluated(tmp_path: Path) -> None:
    """What its last points would have shown is not known."""
    run = TwinRun(load_inputs(*new(tmp_path), "turns_check", Options()))
    run.run()
    *before, last = run.record.lines
    assert evaluate(run.record, "kept.jsonl").run.finished == last["at"]
    with pytest.raises(RecordError, match=r"^kept\.jsonl: the run was interrupted; resume it"):
        evaluate(replace(run.record, lines=tuple(before)), "kept.jsonl")
    stopped = {**last, "outcome": "aborted", "reason": "it smelt hot"}
    with pytest.raises(RecordError, match=r"the run ended aborted: it smelt hot; resume it"):
        evaluate(replace(run.record, lines=(*before, stopped)), "kept.jsonl")


@pytest.mark.parametrize(
    ("path", "volts", "told"),
    [
        (DIRECT, False, "direct, in series with the meter's path"),
        (SHUNT, True, "across the reference shunt S-31 of 1 mohm"),
        (
            CLAMP,
            True,
            "through the reference clamp C-12 of 10 mV per ampere, load lead passed 2 times through its window",
        ),
    ],
)
def test_the_reference_path_is_told_as_it_is_wired(tmp_path: Path, path: str, volts: bool, told: str) -> None:
    """A shunt is connected across, a transformer or a clamp is passed through."""
    assert _reference_path(bench_with(tmp_path, path, volts=volts).bench) == told


def test_the_accuracy_of_an_instrument_is_told_for_every_quantity_it_reads(tmp_path: Path) -> None:
    run = TwinRun(load_inputs(*new(tmp_path, BENCH_POWER), "turns_check", Options()))
    run.run()
    results = run.results()
    analyser = next(i for i in results.instruments if i.role == "reference")
    assert {line.partition(":")[0] for line in analyser.accuracy if " range" not in line} == {
        "voltage",
        "power",
        "frequency",
    }
