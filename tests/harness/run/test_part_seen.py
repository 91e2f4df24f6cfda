"""The part in the reference path answers no query: who says that it is the one described."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from harness.commands.attendance import Attendance
from harness.commands.new import new
from harness.commands.recorded_run import run_from_beginning
from harness.core.errors import UserError
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.evaluation.run_evaluation import evaluate
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks
from harness.record.journal import Record, read_record
from harness.replay.run_environment import Surroundings
from harness.results import ChainLink
from harness.safety.cautions import Cautions
from harness.steps import Options
from instruments.operator.person import ScriptedPerson
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from tests.on_twin import TwinRun


@pytest.fixture
def inputs(tmp_path: Path) -> RunInputs:
    return load_inputs(*new(tmp_path / "pair"), "turns_check", Options(readings=1))


def _run(inputs: RunInputs, out: Path, answer: str, cautions: Cautions = "confirmed") -> tuple[ScriptedPerson, Record]:
    clock = VirtualClock(dt.datetime.now(dt.UTC))
    bench = SimulatedBench(TwinRun(inputs).bench.description, clock)
    person = ScriptedPerson([answer] if answer else [], default="go on")
    around = Surroundings(clock, TwinLinks(bench), person, False, lambda _: None, list, lambda: None)
    out.mkdir()
    run_from_beginning(
        inputs, Attendance("", (), person, Progress(), StopSignal(), cautions=cautions), out / "record.jsonl", around
    )
    return person, read_record(out / "record.jsonl")


def _transformer(record: Record) -> ChainLink:
    return evaluate(record, "record").reference_chain[0]


def test_whoever_is_there_reads_it_from_the_plate(inputs: RunInputs, tmp_path: Path) -> None:
    """The question and the answer are in the record, and the certificate says who vouched."""
    person, record = _run(inputs, tmp_path / "out", "yes")
    (question,) = (text for text in person.asked if "reference transformer T-0415" in text)
    assert [line["answer"] for line in record.of_kind("prompt") if line["text"] == question] == ["yes"]
    assert _transformer(record).serial_known_from == "confirmed at the bench"


def test_another_part_is_another_certificate(inputs: RunInputs, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="T-0415 is not the part in the reference path"):
        _run(inputs, tmp_path / "out", "no")
    assert not (tmp_path / "out" / "record.jsonl").exists()


def test_where_nobody_is_asked_the_file_vouches(inputs: RunInputs, tmp_path: Path) -> None:
    person, record = _run(inputs, tmp_path / "out", "", "confirmed beforehand")
    assert not any("T-0415" in text for text in person.asked)
    assert _transformer(record).serial_known_from == "as the bench file states it"
