"""A bench without any interface: loads plugged in, displays read and a switch turned by a person."""

import math
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.core.errors import AbortedSafe, NotSafe, Stopped, UserError
from harness.core.quantities import format_quantity
from harness.current_limits.maximum_test_current import SHELF_SPREAD, approach_current, maximum_test_current
from harness.evaluation.conformity.fail_reasons import shown_part
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks
from harness.steps import Options, common_current, ladder
from harness.wording.sentences import reason_text
from instruments.operator.person import ConsolePerson
from tests.by_person import by_person
from tests.hands import Hands, by
from tests.harness.run.shelf import wired
from tests.in_words import in_words


@pytest.fixture
def hand(tmp_path: Path) -> RunInputs:
    device, bench = new(tmp_path, BENCH_BY_HAND)
    return load_inputs(device, bench, "current_ratio", Options(readings=2, per_decade=2))


def test_a_whole_run_by_hand_passes_and_says_over_which_currents(hand: RunInputs) -> None:
    """Every range is shown with what the shelf has; the verdict names the span it stands for."""
    hands = Hands()
    twin = by(hands, hand)
    twin.run()
    results = twin.results()
    assert results.verdict == "pass", results.reasons
    assert [r.effective_turns.nearest for r in results.ranges if r.effective_turns] == [4, 20]
    shelf = set(hand.bench.shelf_currents)
    for rng in results.ranges:
        assert {p.nominal_current for p in rng.points} <= shelf
    assert any("the verdict stands for" in remark for remark in in_words(results.ranges[0].remarks))
    truth = twin.bench.truth()
    assert truth.secondary_fuse_intact
    assert not truth.input_overdriven
    assert not truth.switched_under_load


def test_the_circuit_is_dead_whenever_anything_is_changed(hand: RunInputs) -> None:
    """Between two loads, before the switch turns and before the reference's range turns, nothing is plugged in."""
    hands = Hands()
    live: list[str] = []

    def watch(text: str, _: int, right: str) -> None:
        assert hands.twin is not None
        changing = any(
            word in text
            for word in ("Plug in:", "Turn the range switch", "Set multimeter", "Prove dead", "Does the switch stand")
        )
        if changing and hands.twin.bench.truth().load_on:
            live.append(text)

    hands = Hands(watch)
    by(hands, hand).run()
    assert sum("Plug in:" in p for p in hands.prompts) > 10
    assert live == []


def test_no_current_flows_while_a_person_turns_the_reference_of_a_load_on_a_link(tmp_path: Path) -> None:
    """Up and down: a lead may have to go into another jack, and the multimeter stands in the circuit."""
    inputs = load_inputs(*new(tmp_path), "current_ratio", Options(readings=2, per_decade=2))
    entry = inputs.bench.entry("reference")
    assert len(entry.ranges) > 1
    live: list[bool] = []

    def watch(text: str, _: int, right: str) -> None:
        assert hands.twin is not None
        if "Set multimeter" in text:
            live.append(hands.twin.bench.truth().load_on)

    hands = Hands(watch)
    twin = by(hands, by_person(inputs, "multimeter"))
    twin.run()
    assert twin.record.complete
    assert len(live) > 2
    assert not any(live)


@pytest.mark.parametrize("fault", ["section-reversed", "turn-missing:x20", "turn-extra:x4", "both-windings-in-circuit"])
def test_a_winding_fault_is_found_by_hand_too(hand: RunInputs, fault: str) -> None:
    """The shelf's few currents are enough to tell the turns; nothing is overdriven while finding out."""
    twin = by(Hands(), hand, fault)
    twin.run()
    results = twin.results()
    assert results.verdict == "fail"
    assert results.diagnosis[0].fault.startswith(fault.partition(":")[0])
    assert twin.bench.truth().secondary_fuse_intact
    assert not twin.bench.truth().input_overdriven


def test_typing_mistakes_are_mended_on_the_way(hand: RunInputs) -> None:
    """Words, too many digits and a slipped decimal point are asked again; "undo" takes back, "=" repeats."""
    pending: list[str] = []
    undone: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "undo / keep" in text:
            if len(undone) < 3 and number % 3 == 0:
                undone.append(text)
                return "undo"
            return None
        if "[A]" not in text:
            return None
        if pending:
            return pending.pop(0) or None
        if "monitor" in text and number % 11 == 0:
            return "about two"
        if "monitor" in text and number % 13 == 0 and float(right) > 0.1:
            return f"{float(right):.3f}7"
        if "multimeter" in text and number % 17 == 0 and not right.startswith("0"):
            return right.replace(" mA", "")
        if "monitor" in text and number % 19 == 0:
            pending.append("")
            return "undo"
        if "monitor" in text and "reading 2" in hands.shown[-1] and number % 5 == 0:
            return "="
        return None

    hands = Hands(slip)
    twin = by(hands, hand)
    twin.run()
    assert twin.results().verdict == "pass", twin.results().reasons
    shown = "\n".join(hands.shown)
    for sentence in ("is not a current", "more digits than the display shows", "far from the"):
        assert sentence in shown, sentence
    dropped = list(twin.record.of_kind("undo"))
    assert len(dropped) >= len(undone) == 3
    for line in twin.record.of_kind("point"):
        own = [r for r in twin.record.of_kind("reading") if r["point"] == line["point"]]
        assert [r["pair"] for r in own] == [0, 1]


def test_a_load_that_cannot_be_unplugged_is_not_safe(hand: RunInputs) -> None:
    """The person says so, and the message tells what to do now."""
    hands = Hands(lambda text, number, right: "cannot" if "unplugged / cannot" in text and number > 6 else None)
    with pytest.raises(NotSafe, match="Disconnect the supply of the load by hand"):
        by(hands, hand).run()


def test_nobody_at_the_terminal_is_not_safe(hand: RunInputs) -> None:
    """When input ends while a load is plugged in, the program cannot claim that it is off."""

    def gone(text: str, number: int, right: str) -> str | None:
        assert hands.twin is not None
        if hands.twin.bench.truth().load_on:
            raise EOFError
        return None

    hands = Hands(gone)
    twin = by(hands, hand)
    ask = hands.ask

    def stopping(text: str) -> str:
        return twin.stop.ask(text, ask)

    twin.person = ConsolePerson(stopping, hands.shown.append, ask)
    with pytest.raises(NotSafe, match="no answer"):
        twin.run()


def test_a_stop_at_a_prompt_still_asks_for_the_load_to_be_unplugged(hand: RunInputs) -> None:
    """Stopped while something is plugged in: asked to unplug it, then aborted and safe."""
    hands = Hands()

    def stop_when_live(text: str, number: int, right: str) -> str | None:
        assert hands.twin is not None
        if "monitor shows" in text and hands.twin.bench.truth().load_on:
            hands.twin.stop.request("stopped by SIGINT")
            raise Stopped("stopped by SIGINT")
        return None

    hands = Hands(stop_when_live)
    twin = by(hands, hand)
    with pytest.raises(AbortedSafe, match="stopped by SIGINT"):
        twin.run()
    assert "unplug" in hands.prompts[-1]
    assert not twin.bench.truth().load_on


def test_a_reference_that_disagrees_with_the_load_ends_the_run(hand: RunInputs) -> None:
    """A meter lead in the wrong jack reads nothing: typed twice, it is believed, and the run is given up safe."""
    hands = Hands(lambda text, number, right: "0" if "multimeter shows" in text else None)
    with pytest.raises(AbortedSafe, match="look at the wiring"):
        by(hands, hand).run()


def test_shelf_rungs_are_the_nearest_loads_each_once(hand: RunInputs) -> None:
    """Every rung is a load the range claims; none is asked for twice; the order rises."""
    shelf = hand.bench.shelf_currents
    for rng in hand.device.ranges:
        rungs = ladder(rng, 3, shelf)
        assert rungs == sorted(set(rungs))
        assert all(rng.minimum_current <= c <= rng.maximum_current and c in shelf for c in rungs)
    assert ladder(hand.device.ranges[0], 3, (1e-6,)) == []
    assert common_current(hand.device.ranges, shelf) == 3.3


def test_a_shelf_load_may_draw_more_than_is_written_on_it(hand: RunInputs) -> None:
    """Ratings are kept with the spread of a shelf load; the claim, which nothing is damaged by, without."""
    base = hand.device.ranges[0]
    limit = maximum_test_current(hand.device, hand.bench, base)
    assert limit.set_by == "largest range of the reference"
    assert math.isclose(limit.current, 10.0 / SHELF_SPREAD)
    assert approach_current(hand.device, hand.bench, base) in hand.bench.shelf_currents


def test_a_shelf_with_nothing_small_is_told_at_rehearsal(tmp_path: Path) -> None:
    """Where the switch stands must be found out at a current that is safe wherever it stands."""
    from harness.core.stop import StopSignal
    from harness.preparation.rehearsal import rehearsal_of

    device, bench = new(tmp_path, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    a, b = text.index("shelf = [\n"), text.index("\n]\n")
    bench.write_text(
        text[:a] + 'shelf = [\n  { name = "kettle", current = "8.7 A", waveform = "sine" },' + text[b:],
        encoding="utf-8",
    )
    inputs = load_inputs(device, bench, "current_ratio", Options())
    with pytest.raises(UserError, match="no load small enough"):
        rehearsal_of(inputs, StopSignal())


@pytest.mark.parametrize(
    ("was", "becomes", "told"),
    [
        ('profile = "person"\nshelf = [', 'profile = "person"\n# [', "expected the loads that can be plugged in"),
        ('current = "44 mA"', 'current = "0.23 A"', "expected every current once"),
        ('current = "44 mA"', 'current = "44 mV"', "44 mV"),
    ],
)
def test_a_wrong_shelf_is_one_clear_line(tmp_path: Path, was: str, becomes: str, told: str) -> None:
    """Missing, doubled and in the wrong unit."""
    device, bench = new(tmp_path, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    assert was in text
    text = text.replace(was, becomes, 1)
    if becomes.endswith("# ["):
        a, b = text.index("# ["), text.index("\n]\n")
        text = text[:a] + text[b + 3 :]
    bench.write_text(text, encoding="utf-8")
    with pytest.raises(UserError) as caught:
        load_inputs(device, bench, "current_ratio", Options())
    assert len(caught.value.problems) == 1
    assert told in caught.value.problems[0]


def test_who_could_not_unplug_at_first_and_then_did_is_believed(hand: RunInputs) -> None:
    """Told to cut the supply, the person does: the run is aborted, and safe."""
    answered: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "unplugged / cannot" in text and number > 6 and len(answered) < 2:
            answered.append(text)
            return "cannot"
        return None

    hands = Hands(slip)
    with pytest.raises(AbortedSafe, match="everything is off and confirmed"):
        by(hands, hand).run()
    cut = next(prompt for prompt in hands.prompts if "cut its supply by hand" in prompt)
    # What stays plugged in comes on again with the supply: being dead is no ground for the answer "unplugged".
    assert "Leave it off until" in cut
    assert "unplugged when nothing is plugged in" in cut


def test_a_stop_between_two_loads_names_no_load_that_was_never_plugged_in(hand: RunInputs) -> None:
    """Stopped while the first load was being unplugged: nothing more is asked for."""
    hands = Hands()

    def stop_at_unplugging(text: str, number: int, right: str) -> str | None:
        assert hands.twin is not None
        if "switch it off and unplug it" in text:
            hands.twin.stop.request("stopped by SIGINT")
        return None

    hands = Hands(stop_at_unplugging)
    with pytest.raises(AbortedSafe, match="stopped by SIGINT"):
        by(hands, hand).run()
    assert sum("switch it off and unplug it, and anything" in p for p in hands.prompts) == 1


class LeftPlugged(TwinLinks):
    """Somebody says that everything is unplugged and has not touched it."""

    def plug(self, current: float) -> None:
        """Plugs in, never out."""
        if current:
            super().plug(current)


def test_a_stop_between_two_loads_is_not_safe_while_the_first_still_draws(hand: RunInputs) -> None:
    """Said to be unplugged to make way for the next, and still in: the reference is asked before anybody is told that all is off."""
    inputs = wired(hand)

    def stop_when_unplugged(text: str, _: int, right: str) -> None:
        if "unplugged / cannot" in text and "every load" not in text:
            twin.stop.request("enough")

    twin = by(Hands(stop_when_unplugged), inputs)
    twin.links = LeftPlugged(twin.bench)
    with pytest.raises(NotSafe, match="still flows"):
        twin.run()


def test_a_reference_on_a_link_sees_what_was_said_to_be_unplugged(hand: RunInputs) -> None:
    """The word of a person is not believed against a current that is read: NOT SAFE."""
    inputs = wired(hand)
    twin = by(Hands(), inputs)
    twin.links = LeftPlugged(twin.bench)
    twin.stop.watch(lambda: "enough" if twin.bench.truth().load_on else "")
    with pytest.raises(NotSafe, match="still flows"):
        twin.run()


def test_nothing_is_plugged_in_is_not_said_while_the_reference_sees_current(hand: RunInputs) -> None:
    """Two loads one after the other on one range: the first is still in, and the second is not asked for."""
    inputs = wired(hand)
    hands = Hands()
    twin = by(hands, inputs)
    twin.links = LeftPlugged(twin.bench)
    with pytest.raises(NotSafe, match=r"should be off and .* still flows"):
        twin.run()
    assert sum("Plug in:" in text for text in hands.prompts) == 1


@pytest.mark.parametrize("answer", ["keep", "undo"])
def test_a_slip_that_was_typed_twice_is_told_before_it_is_kept(tmp_path: Path, answer: str) -> None:
    """A decimal point one place off in the last of four readings; kept it is a remark, undone nothing is left of it."""
    inputs = load_inputs(*new(tmp_path, BENCH_BY_HAND), "turns_check", Options(readings=4))
    slips: list[str] = []
    asked: list[str] = []

    def slip(text: str, number: int, right: str) -> str | None:
        if "undo / keep" in text:
            asked.append(text)
            return answer if len(asked) == 1 else None
        last = [line for line in hands.shown if ", reading " in line]
        if "monitor shows" in text and last and "reading 4 of 4" in last[-1] and len(slips) < 2:
            slips.append(f"{float(right) / 10:.3f}")
            return slips[0]
        return None

    hands = Hands(slip)
    twin = by(hands, inputs)
    twin.run()
    doubt = f"The device read {float(slips[0]):g} once and "
    assert doubt in asked[0]
    assert asked[0].index("Was it mistyped") < asked[0].index("Keep this point, or undo")
    assert not any("Was it mistyped" in text for text in asked[1:])
    results = twin.results()
    remarks = [remark for rng in results.ranges for remark in in_words(rng.remarks) if "far from the others" in remark]
    if answer == "undo":
        assert (results.verdict, remarks) == ("pass", [])
    else:
        assert results.verdict == "fail"
        assert len(remarks) == 1
        assert f"the meter under test {float(slips[0]):g};" in remarks[0]


def test_the_bench_file_by_hand_says_that_the_multimeter_has_a_time_limit_too(tmp_path: Path) -> None:
    """An ampere range for seconds only is common practice, no published source; longest_on is all that ends a point in time."""
    _, bench = new(tmp_path, BENCH_BY_HAND)
    before = bench.read_text(encoding="utf-8").split("[instruments.multimeter]")[0]
    about_the_multimeter = before.split("\n\n")[-1]
    assert "for seconds only" in about_the_multimeter
    assert "longest_on" in about_the_multimeter


def test_one_current_is_no_span(hand: RunInputs) -> None:
    """With the largest current left out, one is left: the verdict stands for that current."""
    twin = by(Hands(), hand)
    twin.run()
    results = twin.results()
    point = results.ranges[0].points[0]
    text = reason_text(shown_part([point, point], hand.device.ranges[0], []))
    current = format_quantity(point.reference_current, "A")
    assert text.startswith(f"the verdict stands for {current} only, of the 800 mA to 80 A claimed")
