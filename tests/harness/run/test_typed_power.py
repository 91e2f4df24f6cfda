"""A power typed by a person: slips are seen against voltage, current and load; what a device really shows is taken."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.station.plausibility import Applied, Expectations
from harness.steps import Options
from instruments.operator.person import Expected
from instruments.reading import Reading
from tests.hands import Hands, by

DOUBTS = ("type it again", "far from")


def _files(folder: Path) -> tuple[Path, Path]:
    """The bench by hand with a reference that shows voltage and power as well."""
    device, bench = new(folder, BENCH_BY_HAND)
    shows = 'voltage = { of_reading = "0.2 %", resolution = "0.1 V" }\npower = { of_reading = "0.5 %", resolution = "10 mW" }'
    text = bench.read_text(encoding="utf-8")
    text = text.replace('serial = "M-0871"', f'serial = "M-0871"\n{shows}')
    bench.write_text(text, encoding="utf-8")
    return device, bench


@pytest.fixture
def power_by_hand(tmp_path: Path) -> RunInputs:
    return load_inputs(*_files(tmp_path), "power_and_phase", Options(readings=1))


def _doubted(hands: Hands) -> list[str]:
    return [line for line in hands.shown if any(doubt in line for doubt in DOUBTS)]


def test_nothing_typed_right_is_doubted(power_by_hand: RunInputs) -> None:
    """Over the whole shelf, a lamp with a leading current and one near the display's end included."""
    hands = Hands()
    twin = by(hands, power_by_hand)
    twin.run()
    assert _doubted(hands) == []
    assert sum("multimeter shows, power" in prompt for prompt in hands.prompts) > 6
    assert twin.results().verdict == "pass", twin.results().reasons


def _slipping(at: str, wrong: Callable[[str], str], times: int = 1) -> tuple[Hands, list[str]]:
    """Hands that type `wrong` of the first right answer to `at`, so many times."""
    slipped: list[str] = []

    def slip(text: str, _: int, right: str) -> str | None:
        if at not in text or len(slipped) == times:
            return None
        slipped.append(wrong(right) if not slipped else slipped[0])
        return slipped[-1]

    return Hands(slip), slipped


def test_a_reference_power_above_voltage_times_current_is_asked_for_again(power_by_hand: RunInputs) -> None:
    """Watts read as kilowatts. |P| <= U I: active and apparent power of IEC 80000-6 (value from memory)."""
    hands, slipped = _slipping("multimeter shows, power", lambda right: f"{right.rstrip('0').rstrip('.')} kW")
    twin = by(hands, power_by_hand)
    twin.run()
    assert len(slipped) == 1
    (line,) = _doubted(hands)
    assert "W is more than voltage x current = 2" in line
    assert "VA; type it again" in line
    for reading in twin.record.of_kind("reading"):
        also = reading["also"]
        apparent = also["reference_voltage"]["value"] * reading["reference"]["value"]
        assert also["reference_power"]["value"] < 1.05 * apparent
    assert twin.results().verdict == "pass"


def test_who_insists_is_believed_and_written_down(power_by_hand: RunInputs) -> None:
    """The reference's display may really show it; the power error then says that something is wrong."""
    hands, slipped = _slipping("multimeter shows, power", lambda right: f"{float(right) * 10:.1f}", times=2)
    twin = by(hands, power_by_hand)
    twin.run()
    assert len(slipped) == 2
    assert len(_doubted(hands)) == 1
    first = next(twin.record.of_kind("reading"))["also"]["reference_power"]
    assert (first["raw"], first["value"]) == (slipped[0], float(slipped[0]))
    assert twin.results().ranges[0].power[0].power_error.value == pytest.approx(-0.9, abs=0.02)


@pytest.mark.parametrize(("factor", "asked_again"), [(0.1, 1), (0.7, 0), (1.4, 0), (10.0, 1), (1000.0, 1)])
def test_a_displayed_power_is_asked_about_only_beyond_what_an_error_makes(
    power_by_hand: RunInputs, factor: float, asked_again: int
) -> None:
    """A device may be wrong, and that is what is found out: only slips of a decimal place or a unit are asked about."""
    times = 1 + asked_again
    hands, slipped = _slipping("monitor shows, power [W]", lambda right: f"{float(right) * factor:.1f}", times)
    twin = by(hands, power_by_hand)
    twin.run()
    assert len(slipped) == times
    assert len(_doubted(hands)) == asked_again
    first = next(twin.record.of_kind("reading"))["also"]["displayed_power"]
    assert first["raw"] == slipped[0]


def _found(**values: float) -> dict[str, Reading]:
    return {name: Reading(value, "", "", 0.0, 0.0) for name, value in values.items()}


@pytest.fixture
def plausible(tmp_path: Path) -> Expectations:
    return Expectations(load_inputs(*_files(tmp_path), "power_and_phase", Options()).bench)


@pytest.mark.parametrize(
    ("current", "shelf", "believed", "doubted"),
    [
        # A kettle of 2 kW at 230 V draws 8.7 A: P = U I for a resistor.
        (8.7, 8.7, (2001.0, 1950.0, 2060.0), (20.0, 200.1, 2200.0, 20010.0)),
        # "dehumidifier", power factor 0.85 written on it: 230 V x 1.7 A = 391 VA, 332 W.
        (1.7, 1.7, (332.4, 250.0, 391.0), (33.2, 3324.0, 430.0, 150.0)),
        # "small lamp", 0.4 leading: 2.76 VA, 1.1 W; P may be shown negative, and no more is drawn than U I.
        (0.012, 0.012, (1.1, -1.1, 1.4), (11.0, 3.3, 2.5)),
        # Nothing flows: only the steps of the displays are left.
        (0.0, 0.0, (0.0, 0.02), (5.0, 23.0)),
    ],
)
def test_what_a_reference_power_may_be(
    plausible: Expectations, current: float, shelf: float, believed: tuple[float, ...], doubted: tuple[float, ...]
) -> None:
    """P = U I cos(phi), |cos(phi)| <= 1 (IEC 80000-6, value from memory): the numbers worked by hand."""
    scale = 0.4 if current < 0.3 else 10.0
    held = plausible.expected(
        "reference_power",
        _found(reference=current, displayed=current, reference_voltage=230.0),
        Applied(shelf, None, scale),
    )
    assert held is not None
    assert [power for power in believed if not _believed(held, power)] == []
    assert [power for power in doubted if _believed(held, power)] == []


def _believed(held: Expected, value: float) -> bool:
    """Whether somebody at a terminal is asked only once."""
    from instruments.operator.person import ConsolePerson, Question

    asked: list[str] = []

    def ask(text: str) -> str:
        asked.append(text)
        return f"{value:.2f}"

    ConsolePerson(ask, lambda _: None).read_value(
        Question("shows", "reference power", 0.01, held.value, held.tolerance, "W", held.largest, held.limit)
    )
    return len(asked) == 1


def test_without_a_voltage_only_the_other_power_says_what_one_may_be(plausible: Expectations) -> None:
    """P / I of the reference is the part of the voltage in phase with the current; the device stands in the same circuit."""
    applied = Applied(8.7, None, 10.0)
    assert plausible.expected("reference_power", _found(reference=8.7, displayed=8.7), applied) is None
    assert plausible.expected("displayed_power", _found(reference=8.7, displayed=8.7), applied) is None
    # On a range of 4 turns the display stands at 34.8 A for 8.7 A, and at 8004 W for 2001 W.
    held = plausible.expected("displayed_power", _found(reference=8.7, displayed=34.8, reference_power=2001.0), applied)
    assert held is not None
    assert held.value == pytest.approx(8004.0)
    # A display that reads no current may show any power.
    silent = _found(reference=0.012, displayed=0.0, reference_voltage=230.0, reference_power=1.1)
    assert plausible.expected("displayed_power", silent, applied) is None


def test_a_low_power_factor_may_give_way_to_the_default(plausible: Expectations) -> None:
    """1 is what many displays show where they measure none (common practice, no published source); 0.098 for 0.98 is a slip."""
    for watts, typed, believed in ((1.1, 1.0, True), (1.1, 0.4, True), (2.7, 0.98, True), (2.7, 0.098, False)):
        found = _found(reference=0.012, displayed=0.24, reference_voltage=230.0, reference_power=watts)
        held = plausible.expected("displayed_power_factor", found, Applied(0.012, None, 0.4))
        assert held is not None
        assert held.largest == 1.0
        slips = held.value is not None and abs(typed - held.value) > held.tolerance * held.value
        assert slips is not believed
