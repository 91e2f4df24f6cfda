"""What a person takes back: one value with every `undo`, back to the first of the point, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.new import BENCH_BY_HAND, BENCH_POWER, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.run.undoable_entry import Entries, Entry
from harness.steps import Options
from instruments.operator.person import UndoLast
from instruments.reading import Reading
from tests.by_person import by_person
from tests.hands import Hands, by


@pytest.fixture
def power_by_hand(tmp_path: Path) -> RunInputs:
    """The bench by hand with a reference that shows voltage and power as well: six values a pair."""
    device, bench = new(tmp_path, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    shows = 'voltage = { of_reading = "0.2 %", resolution = "0.1 V" }\npower = { of_reading = "0.5 %", resolution = "10 mW" }'
    bench.write_text(text.replace('serial = "M-0871"', f'serial = "M-0871"\n{shows}'), encoding="utf-8")
    return load_inputs(device, bench, "power_and_phase", Options(readings=2))


PAIR = {
    "reference": "multimeter shows [A]",
    "displayed": "monitor shows [A]",
    "reference_voltage": "multimeter shows, voltage",
    "reference_power": "multimeter shows, power",
    "displayed_power": "monitor shows, power [W]",
    "displayed_power_factor": "monitor shows, power factor",
}
"""What is typed for a pair, in this order, and the prompt for it."""


class Undoing(Hands):
    """Hands that follow `plan` at the prompts of the first point: "u" types undo, "." what is right."""

    def __init__(self, plan: str) -> None:
        super().__init__(self._by_plan)
        self.plan = list(plan)
        self.asked: list[str] = []

    def _by_plan(self, text: str, number: int, right: str) -> str | None:
        # The values by which a range is tried out come first.
        began = any("reading 1 of 2" in line for line in self.shown)
        if not began or not self.plan or ("shows" not in text and "undo / keep" not in text):
            return None
        self.asked.append(next((name for name, prompt in PAIR.items() if prompt in text), "keep?"))
        return "undo" if self.plan.pop(0) == "u" else None


def _run(inputs: RunInputs, plan: str) -> tuple[Undoing, list[dict[str, Any]], list[dict[str, Any]]]:
    """The hands, what was taken back, and the readings of the first point."""
    hands = Undoing(plan)
    twin = by(hands, inputs)
    twin.run()
    assert not hands.plan
    assert twin.record.complete
    readings = [line for line in twin.record.of_kind("reading") if line["point"] == 0]
    assert [line["pair"] for line in readings] == [0, 1]
    return hands, list(twin.record.of_kind("undo")), readings


def _taken_back(lines: list[dict[str, Any]]) -> list[tuple[int, str]]:
    return [(line["pair"], name) for line in lines for name in PAIR if name in line]


@pytest.mark.parametrize("number", range(1, 6))
def test_undo_inside_a_pair_asks_for_the_value_before_and_no_other(power_by_hand: RunInputs, number: int) -> None:
    """The prompt before comes again, then the one where undo was typed; what was typed earlier stands."""
    hands, undone, _ = _run(power_by_hand, "." * number + "u..")
    names = list(PAIR)
    assert hands.asked == [*names[: number + 1], names[number - 1], names[number]]
    assert _taken_back(undone) == [(0, names[number - 1])]


def test_undo_at_the_first_prompt_of_a_pair_goes_back_to_the_last_value_of_the_pair_before(
    power_by_hand: RunInputs,
) -> None:
    hands, undone, readings = _run(power_by_hand, "......uu...")
    names = list(PAIR)
    assert hands.asked[6:] == ["reference", names[5], names[4], names[5], "reference"]
    assert _taken_back(undone) == [(0, names[5]), (0, names[4])]
    # What was taken back is in the record as it was typed, and older than what stands.
    for line, name in zip(undone, (names[5], names[4]), strict=True):
        assert line[name]["finished"] <= readings[0]["also"][name]["started"]
        assert line[name]["raw"]
    assert readings[0]["reference"]["finished"] < undone[0][names[5]]["started"]


def test_undo_when_asked_whether_to_keep_takes_back_the_last_value(power_by_hand: RunInputs) -> None:
    hands, undone, _ = _run(power_by_hand, "." * 12 + "u.u..")
    names = list(PAIR)
    assert hands.asked[12:] == ["keep?", names[5], "keep?", names[5], "keep?"]
    assert _taken_back(undone) == [(1, names[5])] * 2


def test_undo_goes_back_to_the_first_value_of_a_point_and_says_when_there_is_none(power_by_hand: RunInputs) -> None:
    hands, undone, _ = _run(power_by_hand, "." * 7 + "u" * 9)
    names = list(PAIR)
    assert [name for _, name in _taken_back(undone)] == ["reference", *reversed(names)]
    assert hands.asked[-3:] == ["displayed", "reference", "reference"]
    assert sum("There is no earlier value to undo" in line for line in hands.shown) == 2


@pytest.mark.parametrize(("person", "link"), [("monitor", "reference"), ("multimeter", "displayed")])
def test_what_a_link_read_beside_a_value_taken_back_is_read_again(tmp_path: Path, person: str, link: str) -> None:
    """The readings around a typed value stand for the time it was typed in."""
    inputs = load_inputs(*new(tmp_path), "turns_check", Options(readings=2))
    undoing: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "undo / keep" in text and not undoing:
            undoing.append(text)
            return "undo"
        return None

    hands = Hands(slip)
    twin = by(hands, by_person(inputs, person))
    twin.run()
    (undone,) = twin.record.of_kind("undo")
    typed = "displayed" if link == "reference" else "reference"
    assert {typed, link, "before"} <= set(undone)
    stands = [line for line in twin.record.of_kind("reading") if line["point"] == undone["point"]][undone["pair"]]
    assert stands[link]["started"] >= undone[link]["finished"]
    assert stands[link]["started"] <= stands[typed]["started"]
    assert stands[typed]["finished"] <= stands[link]["finished"]


def test_undo_at_the_one_value_a_person_types_reads_that_pair_anew(tmp_path: Path) -> None:
    """A check standard read by eye beside a reference on a link: there is nothing typed to go back to."""
    inputs = load_inputs(*new(tmp_path, BENCH_POWER), "bench_check", Options(readings=2))
    undoing: list[str] = []

    class AtTheStandard(Hands):
        def ask(self, text: str) -> str:
            if "standard shows" not in text:
                return super().ask(text)
            assert self.twin is not None
            undoing.append(text)
            return "undo" if len(undoing) == 2 else f"{self.twin.bench.measure('check_standard').current:.3f}"

    hands = AtTheStandard()
    twin = by(hands, by_person(inputs, "standard"))
    twin.run()
    assert twin.record.complete
    assert (
        sum("There is no earlier value to undo. To take another way, press Ctrl-C" in line for line in hands.shown) == 1
    )


def test_what_was_taken_back_is_not_repeated(tmp_path: Path) -> None:
    """A slip, undo, and = for "as before": the slip is what was typed last, so it is asked for once more instead."""
    inputs = load_inputs(*new(tmp_path, BENCH_BY_HAND), "turns_check", Options(readings=3))
    typed: list[str] = []

    def slip(text: str, _: int, right: str) -> str | None:
        if not any("reading 2 of 3" in line for line in hands.shown) or "shows" not in text:
            return None
        # The reference of the second pair, its display a tenth too large, undo at the next, and then the same again.
        plan = [right, f"{float(right.split()[0].replace(',', '.')) * 1.1:.3f}", "undo", "=", right]
        if len(typed) < len(plan):
            typed.append(plan[len(typed)])
            return typed[-1]
        return None

    hands = Hands(slip)
    twin = by(hands, inputs)
    twin.run()
    assert typed[2:4] == ["undo", "="]
    assert any("no earlier value to repeat" in line for line in hands.shown)
    shown = [line["displayed"]["value"] for line in twin.record.of_kind("reading") if line["point"] == 0]
    assert max(shown) < 1.01 * min(shown)


def test_what_was_typed_before_a_link_failed_stays_in_the_record(tmp_path: Path) -> None:
    """The attempt does not count, but every whole pair of it is there, as those of any attempt that was cut short."""
    inputs = load_inputs(*new(tmp_path), "turns_check", Options(readings=4))
    hands = Hands()
    twin = by(hands, by_person(inputs, "monitor"), "late-reply")
    twin.run()
    troubles = sum(1 for _ in twin.record.of_kind("trouble"))
    readings = list(twin.record.of_kind("reading"))
    counted = sum(line["count"] for line in twin.record.of_kind("point"))
    assert troubles > 0
    # What is missing was being typed when the link failed, or when a range was tried out.
    typed = sum("monitor shows" in prompt for prompt in hands.prompts)
    assert counted < len(readings) <= typed
    assert typed - len(readings) <= troubles + len(inputs.device.ranges)


@given(typed=st.lists(st.booleans(), min_size=1, max_size=6), plan=st.lists(st.booleans(), max_size=30))
def test_going_back_is_a_stack_of_typed_values(typed: list[bool], plan: list[bool]) -> None:
    """Whatever is undone when: the values typed are those of a stack, and every link is read after the value before it."""
    answers = iter(plan)
    clock = iter(range(10_000))
    stack: list[int] = []

    def entry(number: int) -> Entry:
        def read(found: Mapping[str, Reading]) -> Mapping[str, Reading]:
            if typed[number] and next(answers, False):
                raise UndoLast
            at = float(next(clock))
            if typed[number]:
                stack.append(number)
            return {str(number): Reading(at, "A", "", at, at)}

        return Entry(read, typed[number])

    entries = Entries([entry(number) for number in range(len(typed))])
    while not entries.complete:
        try:
            found = entries.finish()
        except UndoLast:
            forgotten = entries.take_back()
            assert [int(name) for name in forgotten if typed[int(name)]] == stack[-1:]
            del stack[-1:]
            assert entries.typed == len(stack)
    assert stack == [number for number, by_person in enumerate(typed) if by_person]
    times = [found[str(number)].value for number in range(len(typed))]
    assert times == sorted(times)
