"""A load is measured from the fewest turns on: which range, what ends it, and that nothing is overdriven meanwhile."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import pytest

from harness.commands.new import BENCH_POWER, new
from harness.core.errors import Abandoned
from harness.preparation.run_files import load_inputs
from harness.results import Results
from harness.steps import Options
from harness.verified_meter.load_dialogue import Asked, LoadReadings, make_safe, read_load
from harness.verified_meter.load_display import TypedDisplay
from harness.verified_meter.measured_load import MeasuredAs, measured_load
from instruments.operator.plausibility import Question
from tests.measuring import Measurer
from tests.on_twin import TwinRun


@pytest.fixture(scope="module")
def verified(tmp_path_factory: pytest.TempPathFactory) -> TwinRun:
    files = new(tmp_path_factory.mktemp("power"), BENCH_POWER)
    run = TwinRun(load_inputs(*files, "power_and_phase", Options(readings=2)))
    run.run()
    assert run.results().verdict == "pass"
    return run


def asked_of(run: TwinRun, person: Measurer, results: Results | None = None) -> Asked:
    results = results or run.results()
    return Asked(results, person, "lamp", TypedDisplay(results.device, person, "lamp"), True)


def measured(run: TwinRun, person: Measurer, results: Results | None = None, count: int = 3) -> LoadReadings:
    try:
        return read_load(asked_of(run, person, results), count, run.clock.now)
    finally:
        make_safe(person, "lamp")


@pytest.mark.parametrize(
    ("current", "ranges"),
    [
        # x1, x4 and x20 withstand 80 A, 20 A and 4 A; 15 times the plate, which says 1.2 times the current, must find room.
        (0.2, ["x1", "x20"]),
        (0.22, ["x1", "x20"]),
        (0.23, ["x1", "x4"]),
        (1.1, ["x1", "x4"]),
        (1.2, ["x1"]),
        (30.0, ["x1"]),
    ],
)
def test_it_goes_on_to_the_most_turns_that_leave_room(verified: TwinRun, current: float, ranges: list[str]) -> None:
    person = Measurer(verified.bench, current)
    found = measured(verified, person)
    assert person.switched == ranges
    assert found.range.name == ranges[-1]
    assert len(found.currents) == len(found.powers) == 3
    assert found.seconds > 0
    assert "Turn the range switch to x1" in next(text for text in person.asked if "range switch" in text)


def test_nothing_shown_is_no_small_current_the_rating_plate_decides(verified: TwinRun) -> None:
    """15 mA are below the 20 mA that the display shows on x1; a melted fuse would show as little. 1 A on the plate keeps it off x20."""
    for plate, range_name in ((None, "x20"), ("1 A", "x4")):
        person = Measurer(
            verified.bench, 0.015, slip=lambda text, _, plate=plate: plate if "rating plate" in text else None
        )
        with pytest.raises(Abandoned, match=r"was not verified at that current|shows nothing"):
            measured(verified, person)
        assert any("that you know, of 40 mA or more" in text for text in person.asked)
        assert person.switched == ["x1", range_name]


@pytest.mark.parametrize(
    ("current", "plate", "ranges"),
    [
        (0.1, "0.26 A", ["x1", "x20"]),
        (0.2, "0.28 A", ["x1", "x4"]),
        (0.25, "1.3 A", ["x1", "x4"]),
        (0.3, "1.4 A", ["x1"]),
        # What is seen may be more than the plate says.
        (0.3, "0.1 A", ["x1", "x4"]),
        (0.9, "0", ["x1"]),
        (0.1, "0", ["x1"]),
    ],
)
def test_what_a_load_may_draw_later_keeps_it_off_ranges_that_do_not_withstand_it(
    verified: TwinRun, current: float, plate: str, ranges: list[str]
) -> None:
    """A kettle whose thermostat is off draws next to nothing. Without a plate it stays where it began."""
    person = Measurer(verified.bench, current, slip=lambda text, _: plate if "rating plate" in text else None)
    with suppress(Abandoned):
        measured(verified, person)
    assert person.switched == ranges


def test_the_plate_is_read_before_anything_is_plugged_in_and_too_much_is_refused_there(verified: TwinRun) -> None:
    """Nobody turns a load over that is on."""
    person = Measurer(verified.bench, 0.2)
    measured(verified, person)
    plate = next(n for n, text in enumerate(person.asked) if "rating plate" in text)
    assert plate < next(n for n, text in enumerate(person.asked) if text.startswith("Plug"))
    person = Measurer(verified.bench, 0.2, slip=lambda text, _: "81 A" if "rating plate" in text else None)
    with pytest.raises(Abandoned, match="lamp may draw 81 A, and range x1 withstands 80 A"):
        measured(verified, person)
    assert not any(text.startswith("Plug") for text in person.asked)


def test_a_load_of_which_nothing_is_known_and_nothing_shown_is_not_gone_on_with(verified: TwinRun) -> None:
    person = Measurer(verified.bench, 0.015, slip=lambda text, _: "0" if "rating plate" in text else None)
    with pytest.raises(Abandoned, match="shows nothing of lamp, and nothing is known"):
        measured(verified, person)
    assert person.switched == ["x1"]


def test_a_meter_that_shows_nothing_of_a_load_one_knows_is_not_gone_on_with(verified: TwinRun) -> None:
    class Dead(Measurer):
        def choose(self, text: str, options: Sequence[str], guarding: bool = True) -> str:
            return "no" if "that you know" in text else super().choose(text, options, guarding)

    with pytest.raises(Abandoned, match="range x1 shows nothing: unplug, disconnect the supply, lock it off"):
        measured(verified, Dead(verified.bench, 0.015))


def test_a_switch_that_was_not_turned_is_noticed(verified: TwinRun) -> None:
    """0.2 A shown on x1 again where x20 was asked for would be 10 mA: twenty times too little."""

    class Stays(Measurer):
        def confirm(self, text: str) -> str:
            return super().confirm(text.replace("to x20", "to x1"))

    with pytest.raises(Abandoned, match="the switch does not stand on x20"):
        measured(verified, Stays(verified.bench, 0.2))


@pytest.mark.parametrize(("slipped", "noticed"), [(2.15, False), (2.35, True), (0.46, False), (0.43, True)])
def test_halfway_to_the_nearest_range_a_reading_is_of_that_one(
    verified: TwinRun, slipped: float, noticed: bool
) -> None:
    """x20 is five times x4, so the middle is the square root of five, 2.24, up and down."""
    person = Measurer(
        verified.bench,
        0.2,
        slip=lambda text, right: f"{slipped * float(right):.3f}" if "x20, reading" in text else None,
    )
    if noticed:
        with pytest.raises(Abandoned, match="the switch does not stand on x20"):
            measured(verified, person)
    else:
        assert measured(verified, person).range.name == "x20"


def test_what_a_range_does_not_withstand_ends_it_with_the_load_unplugged(verified: TwinRun) -> None:
    person = Measurer(verified.bench, 0.2, slip=lambda text, _: "81 A" if "x1, the largest" in text else None)
    with pytest.raises(Abandoned, match="81 A flows on range x1, which withstands 80 A"):
        measured(verified, person)
    assert person.asked[-1].startswith("lamp: switch it off and unplug it.")
    assert not verified.bench.truth().load_on


def test_a_current_at_which_nothing_was_verified_is_told_before_any_reading_is_taken(verified: TwinRun) -> None:
    """x1 was verified from 0.8 A up, and the finer ranges failed."""
    results = verified.results()
    others = [dataclasses.replace(r, verdict="fail") if r.name != "x1" else r for r in results.ranges]
    person = Measurer(verified.bench, 0.4)
    with pytest.raises(Abandoned, match=r"no range that withstands 7\.2 A was verified at (399|400|401) mA"):
        measured(verified, person, dataclasses.replace(results, ranges=tuple(others)))
    assert not any("reading 1" in text for text in person.asked)


def test_a_meter_of_one_range_stays_on_it(verified: TwinRun) -> None:
    results = verified.results()
    one = dataclasses.replace(results, ranges=results.ranges[:1])
    person = Measurer(verified.bench, 2.0)
    assert measured(verified, person, one).range.name == "x1"
    assert person.switched == ["x1"]


def test_no_range_is_moved_to_with_the_load_on(verified: TwinRun) -> None:
    moved: list[bool] = []
    turn = verified.bench.turn_switch

    class Watching(Measurer):
        def confirm(self, text: str) -> str:
            if "range switch" in text:
                assert "unplugged" in text or "Switch lamp off and unplug it first" in text
                moved.append(True)
            return super().confirm(text)

    measured(verified, Watching(verified.bench, 0.2))
    assert moved == [True, True]
    assert not verified.bench.truth().switched_under_load
    assert turn == verified.bench.turn_switch


def test_undo_takes_the_last_reading_back(verified: TwinRun) -> None:
    from instruments.operator.person import UndoLast

    class Undoing(Measurer):
        def __init__(self, at: str, act: Callable[[], None] = lambda: None) -> None:
            super().__init__(verified.bench, 0.2)
            self.at = at

        def read_value(self, question: Question) -> tuple[float, str]:
            if self.at and self.at in question.text:
                self.at = ""
                self.asked.append("undo")
                raise UndoLast
            return super().read_value(question)

    for at, again in (
        ("reading 3 of 3", "reading 2 of 3"),
        ("the largest", "the largest"),
        ("reading 1 of 3", "reading 1 of 3"),
    ):
        person = Undoing(at)
        assert len(measured(verified, person).currents) == 3
        assert again in person.asked[person.asked.index("undo") + 1]


def test_without_a_verified_first_range_nothing_begins(verified: TwinRun) -> None:
    results = verified.results()
    failed = [dataclasses.replace(r, verdict="fail") if r.name == "x1" else r for r in results.ranges]
    person = Measurer(verified.bench, 0.2)
    with pytest.raises(Abandoned, match="range x1, on which an unknown load must begin, was not verified"):
        measured(verified, person, dataclasses.replace(results, ranges=tuple(failed)))
    assert person.switched == []


def test_no_load_overdrives_the_input_on_the_way(verified: TwinRun) -> None:
    """Forty loads over four decades, on the simulated circuit: the secondary stays within the 40 mA of its input."""
    draw = random.Random(7)
    for _ in range(40):
        current = 0.008 * (66 / 0.008) ** draw.random()
        # Below 40 mA nothing was verified.
        with suppress(Abandoned):
            measured(verified, Measurer(verified.bench, current, draw.choice((1.0, 0.5, -0.4))))
    assert not verified.bench.truth().input_overdriven


def test_who_takes_a_lamp_for_a_heater_overdrives_nothing(verified: TwinRun) -> None:
    """A cold filament draws up to 15 times its current for a moment (common practice). Nobody is asked what they take the load for."""

    class Cold(Measurer):
        def confirm(self, text: str) -> str:
            if text.startswith("Plug"):
                steady, self.current = self.current, 14.5 * self.current
                self._on(True)
                self.bench.clock.sleep(0.5)
                self.current = steady
            return super().confirm(text)

    for current in (0.1, 0.25, 0.9, 1.3, 2.0, 5.0):
        person = Cold(verified.bench, current)
        measured(verified, person)
        assert not any("heater" in text for text in person.asked)
    assert not verified.bench.truth().input_overdriven


def test_a_load_that_comes_on_again_on_the_finer_range_overdrives_nothing(verified: TwinRun) -> None:
    """Seen at 0.2 A, rated 0.9 A: it starts once more between two readings with 14.5 times its rated current, as a compressor does."""

    class Starts(Measurer):
        def read_value(self, question: Question) -> tuple[float, str]:
            if "reading 2 of 3" in question.text:
                seen, self.current = self.current, 14.5 * 0.9
                self._on(True)
                self.bench.clock.sleep(0.5)
                self.current = seen
                self._on(True)
            return super().read_value(question)

    person = Starts(verified.bench, 0.2, slip=lambda text, _: "0.9 A" if "rating plate" in text else None)
    measured(verified, person)
    assert not verified.bench.truth().input_overdriven


@pytest.mark.parametrize("power_factor", [1.0, 0.6, -0.6])
def test_what_the_meter_draws_itself_is_taken_off(verified: TwinRun, tmp_path: Path, power_factor: float) -> None:
    """30 mA at 230 V, 6.9 W times the power factor, which there is that of the load, flow through its sensor all the time (a fault of the simulated
    bench), beside a load of 0.2 A."""
    inputs = load_inputs(*new(tmp_path, BENCH_POWER), "power_and_phase", Options())
    run = TwinRun(inputs, faults=["module-supply-behind-sensor:0.03"])
    person, results = Measurer(run.bench, 0.2, power_factor), verified.results()
    asked = Asked(results, person, "lamp", TypedDisplay(results.device, person, "lamp"), True)
    readings = read_load(asked, 4, run.clock.now)
    now = run.clock.now()
    power, voltage = run.bench._circuit.power(now), run.bench._circuit.mains.voltage_at(now)
    make_safe(person, "lamp")
    found = measured_load(results, readings, MeasuredAs("lamp", "", "", "", "", (voltage, 1.0), 0.0), [])
    assert found.own_power == pytest.approx(6.9 * abs(power_factor), rel=0.02)
    assert found.power is not None
    assert abs(found.power.value - power) <= found.power.expanded_uncertainty
    assert abs(found.current.value - 0.2) <= found.current.expanded_uncertainty
    assert any("with nothing plugged in" in text for text in person.asked)


def test_a_load_that_cannot_be_unplugged_is_not_safe(verified: TwinRun) -> None:
    class Cannot(Measurer):
        def insist(self, text: str, options: list[str]) -> str:  # type: ignore[override]
            self.asked.append(text)
            return "cannot"

    person = Cannot(verified.bench, 0.2)
    assert make_safe(person, "lamp") is False
    assert "cut its supply by hand" in person.asked[-1]
