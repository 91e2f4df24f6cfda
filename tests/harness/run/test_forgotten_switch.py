"""A range switch that was forgotten, and a current that was typed wrong: doubted, asked about, and no point is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.core.errors import AbortedSafe
from harness.preparation.run_files import RunInputs
from harness.steps import Options
from tests.hands import Hands, by
from tests.harness.run.shelf import hand


class Forgetful(Hands):
    """Turns the switch, but for so many times beyond x1 only halfway: the monitor shows nothing."""

    def __init__(self, inputs: RunInputs, often: int, answers: dict[str, str]) -> None:
        super().__init__(self._forgets)
        self.run = by(self, inputs)
        self.live: list[bool] = []
        self._left, self._halfway, self._answers = often, False, answers

    def _forgets(self, text: str, number: int, right: str) -> str | None:
        if "Turn the range switch" in text:
            self._halfway = "to x1," not in text and self._left > 0
            self._left -= self._halfway
        if "Is the switch in position" in text:
            self.live.append(self.run.bench.truth().load_on)
        if "monitor shows" in text and self._halfway:
            return "0.000"
        return next((answer for asked, answer in self._answers.items() if asked in text), None)


def test_a_forgotten_switch_is_asked_about_and_costs_no_point(tmp_path: Path) -> None:
    """With the load off, so that it may be turned at once; what was answered is in the record."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2))
    hands = Forgetful(inputs, 1, {"Is the switch in position": "again"})
    twin = hands.run
    twin.run()
    assert hands.live == [False]
    assert list(twin.record.of_kind("skip")) == []
    assert twin.results().verdict == "pass", twin.results().reasons
    asked = [line for line in twin.record.of_kind("prompt") if "Is the switch in position x4?" in line["text"]]
    assert [line["answer"] for line in asked] == ["again"]


def test_after_two_silent_ranges_the_first_answer_is_to_stop(tmp_path: Path) -> None:
    inputs = hand(tmp_path, "turns_check", Options(readings=1))
    hands = Forgetful(inputs, 99, {"Two ranges read nothing": "stop"})
    with pytest.raises(AbortedSafe, match="stopped by the operator at a prompt"):
        hands.run.run()
    switch, second, secondary = (p for p in hands.prompts if "go on" in p)
    assert "again / stop / go on" in switch
    assert "stop / again / go on" in second
    assert "lock it off and prove it dead" in secondary
    assert secondary.endswith("stop / go on: ")
    assert not hands.run.bench.truth().load_on


@pytest.mark.parametrize(("times", "asked_again"), [(1.4, False), (1.7, True), (0.6, False), (0.4, True)])
def test_a_current_typed_is_doubted_from_half_as_much_again(tmp_path: Path, times: float, asked_again: bool) -> None:
    """What is written on a load is only roughly what it draws: half as much more or less is taken as it is typed (a judgement)."""
    slipped: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "multimeter shows" not in text or slipped:
            return None
        slipped.append(right)
        return f"{times * float(right.replace(',', '.').removesuffix(' mA')):.0f} mA"

    hands = Hands(slip)
    by(hands, hand(tmp_path, "turns_check", Options(readings=2))).run()
    doubts = [line for line in hands.shown if "is far from the 850 mA expected" in line]
    assert bool(doubts) == asked_again
    assert all("If another load is plugged in, switch it off and unplug it now, then press Ctrl-C" in d for d in doubts)
