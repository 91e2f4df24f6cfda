"""What is typed at a simulated bench: what hands and eyes do at a real one."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.commands.bench_prompt import BenchPrompt
from harness.commands.new import BENCH_BY_HAND, BENCH_POWER, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks
from harness.steps import Options
from tests.hands import Hands, by
from tests.on_twin import TwinRun


@pytest.fixture
def hand(tmp_path: Path) -> RunInputs:
    return load_inputs(*new(tmp_path, BENCH_BY_HAND), "turns_check", Options(readings=2))


class Untouched(TwinLinks):
    """The program moves nothing: whoever types does."""

    def plug(self, current: float) -> None:
        """Left to whoever types."""

    def turn_switch(self, range_name: str) -> None:
        """Left to whoever types."""

    def turn_reference(self, full_scale: float) -> None:
        """Left to whoever types."""


class TwoTerminals(Hands):
    """Does what one terminal says by typing it into the other, and types there what `read` says here."""

    def __init__(self, inputs: RunInputs) -> None:
        super().__init__()
        self.inputs = inputs
        self.answers: list[str] = []

    def word(self, line: str) -> str:
        assert self.twin is not None
        answer = BenchPrompt(self.twin.bench, self.inputs).answer(line)
        assert "not understood" not in answer, answer
        self.answers.append(answer)
        return answer

    def _right(self, text: str) -> str:
        assert self.twin is not None
        for prompt, word in (
            (r"Plug in: (.*) \(about", "plug"),
            (r"range switch to (\w+)", "turn"),
            (r"AC current, range ([\d.]+ m?A)", "range"),
        ):
            if asked := re.search(prompt, text):
                self.word(f"{word} {asked.group(1)}")
                break
        if "unplugged / cannot" in text:
            self.word("unplug")
            # Nobody turns a switch in the moment of pulling a plug.
            self.twin.clock.sleep(5)
        if asked := re.search(r"(multimeter|monitor) shows \[A\]", text):
            self.twin.clock.sleep(3)
            shown = re.search(rf"{asked.group(1)} shows ([\d.e-]+ A)", self.word("read"))
            assert shown is not None
            return shown.group(1)
        return super()._right(text)


def test_a_run_by_hand_is_played_by_typing_alone(hand: RunInputs) -> None:
    """Everything the run asks for has its word, and what `read` prints can be typed as it stands."""
    hands = TwoTerminals(hand)
    twin = by(hands, hand)
    twin.links = Untouched(twin.bench)
    twin.run()
    results = twin.results()
    assert results.verdict == "pass", results.reasons
    assert [r.effective_turns.nearest for r in results.ranges if r.effective_turns] == [4, 20]
    assert not twin.bench.truth().switched_under_load
    assert not any("far from" in line for line in hands.shown)


@pytest.mark.parametrize("asked", ["slow cooker", "slow", "850 mA", "0.85", "0.85 A"])
def test_a_load_is_plugged_in_by_name_or_current(hand: RunInputs, asked: str) -> None:
    twin = TwinRun(hand)
    prompt = BenchPrompt(twin.bench, hand)
    prompt.answer("turn x1")
    assert prompt.answer(f"plug {asked}\n") == "slow cooker is plugged in"
    twin.clock.sleep(30)
    assert twin.bench.truth().primary_current == pytest.approx(0.85, rel=0.1)
    assert "unplug it first" in prompt.answer("plug lamp")
    assert prompt.answer("unplug") == "nothing is plugged in"
    assert not twin.bench.truth().load_on
    assert prompt.answer("plug lamp") == "lamp is plugged in"


@pytest.mark.parametrize("asked", ["heater", "toaster", "0.86 A", "0"])
def test_no_load_or_more_than_one_plugs_nothing_in(hand: RunInputs, asked: str) -> None:
    twin = TwinRun(hand)
    answer = BenchPrompt(twin.bench, hand).answer(f"plug {asked}")
    assert "slow cooker (850 mA)" in answer
    assert not twin.bench.truth().load_on


def test_a_reference_on_too_small_a_range_shows_overload(hand: RunInputs) -> None:
    twin = TwinRun(hand)
    prompt = BenchPrompt(twin.bench, hand)
    for line in ("turn x1", "range 0.4", "plug 3.3"):
        prompt.answer(line)
    assert "multimeter shows overload" in prompt.answer("read")
    assert "unplug it first" in prompt.answer("range 10 A")
    assert "multimeter shows overload" in prompt.answer("read")
    prompt.answer("unplug")
    assert prompt.answer("range 400 A") == "no range of multimeter; expected 400 mA, 10 A"
    prompt.answer("range 10 A")
    prompt.answer("plug 3.3")
    assert "overload" not in prompt.answer("read")


@pytest.mark.parametrize("line", ["plug 3 A", "unplug", "range 10 A", "turn x7", "dance"])
def test_what_instruments_do_by_themselves_has_no_word(tmp_path: Path, line: str) -> None:
    inputs = load_inputs(*new(tmp_path), "turns_check", Options())
    prompt = BenchPrompt(TwinRun(inputs).bench, inputs)
    assert "plug" not in prompt.told
    assert prompt.answer(line) == f"not understood; {prompt.told}"


def test_everything_that_is_shown_can_be_read(tmp_path: Path) -> None:
    """Every display of a bench with power, each value with its unit."""
    inputs = load_inputs(*new(tmp_path, BENCH_POWER), "power_and_phase", Options())
    read = BenchPrompt(TwinRun(inputs).bench, inputs).answer("read")
    by_name = dict(part.split(" shows ") for part in read.split("; "))
    roles = inputs.bench.roles
    assert {roles.reference, roles.meter, roles.secondary, roles.check_standard} <= set(by_name)
    assert re.fullmatch(r"\S+ A, voltage \S+ V, power \S+ W", by_name[roles.reference])
    assert re.fullmatch(r"\S+ A, power \S+ W, power factor \S+", by_name[roles.meter])


def test_what_is_read_can_be_typed(hand: RunInputs, monkeypatch: pytest.MonkeyPatch) -> None:
    """No display shows an exponent, and none is understood where the value is typed."""
    bench = TwinRun(hand).bench
    monkeypatch.setattr(bench, "read_reference", lambda: 4e-5)
    read = BenchPrompt(bench, hand).answer("read")
    assert "multimeter shows 0.00004 A" in " ".join(read.split())
