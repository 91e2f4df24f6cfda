"""A person who reads a display, turns the switch and mistypes."""

from collections.abc import Callable, Sequence

import pytest

from harness.core.errors import AbortedSafe
from harness.preparation.run_files import RunInputs
from instruments.operator.person import ConsolePerson
from instruments.operator.plausibility import Question
from tests.by_person import by_person
from tests.on_twin import TwinRun


class Typist:
    """Somebody at a keyboard who reads the simulated display, and mistypes now and then."""

    def __init__(self) -> None:
        self.twin: TwinRun | None = None
        self.asked = 0
        self.shown: list[str] = []
        self._pending: list[str] = []

    def ask(self, text: str) -> str:
        if "Type done" in text:
            return "done"
        if "undo / keep" in text:
            return "keep"
        if "/" in text and "Look at the switch" in text:
            return "go on"
        assert self.twin is not None
        if self._pending:
            return self._pending.pop(0)
        self.asked += 1
        right = f"{self.twin.bench.shown().current:.3f}"
        if self.asked % 5 == 0:
            self._pending = [right.replace(".", ",")]
            return "lots"
        if self.asked % 7 == 0 and float(right) > 0.1:
            self._pending = [right]
            return f"{float(right) * 10:.3f}"
        return right


def test_a_person_reads_the_display_and_turns_the_switch(inputs: RunInputs) -> None:
    """Slips of the keyboard are asked for again; the run passes, its raw entries as typed."""
    typist = Typist()
    person = ConsolePerson(typist.ask, typist.shown.append)
    twin = TwinRun(by_person(inputs, "monitor", "relay"), person=person)
    typist.twin = twin
    twin.run()
    results = twin.results()
    assert results.verdict == "pass", results.reasons
    assert any("is not a current" in line for line in typist.shown)
    assert any("far from" in line for line in typist.shown)
    raws = [line["displayed"]["raw"] for line in twin.record.of_kind("reading")]
    assert any("," in raw for raw in raws)
    assert [line["answer"] for line in twin.record.of_kind("step") if line["step"] == "select"] == [
        "turned by a person: done"
    ] * 3


class Scripted:
    """Answers prompts about the switch from a list."""

    def __init__(self, answers: Sequence[str]) -> None:
        self.answers = list(answers)

    def confirm(self, text: str) -> str:
        return "ok"

    def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
        return self.answers.pop(0)

    def insist(self, text: str, options: Sequence[str]) -> str:
        raise AssertionError("nothing to make safe by hand")

    def read_value(self, question: Question) -> tuple[float, str]:
        raise AssertionError("nothing to read")

    def warn_after(self, seconds: float, text: str, over: Callable[[], None] | None = None) -> None:
        assert not seconds


def test_a_switch_elsewhere_is_asked_about_and_stop_stops(inputs: RunInputs) -> None:
    """ "again" selects and approaches anew with the load off between; "stop" ends the run safe."""
    twin = TwinRun(inputs, ["switch-left-in-another-position"], person=Scripted(["again", "stop"]))
    with pytest.raises(AbortedSafe, match="stopped by the operator"):
        twin.run()
    prompts = [line["answer"] for line in twin.record.of_kind("prompt")]
    assert prompts == ["again", "stop"]
    truth = twin.bench.truth()
    assert not truth.switched_under_load
    assert not truth.input_overdriven
