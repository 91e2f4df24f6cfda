"""What a typed power or power factor is held against, beside `tests/harness/run/test_typed_power.py`, which types them in whole runs."""

from __future__ import annotations

from typing import Any

import pytest

from harness.commands.new import template
from harness.files.bench import Bench
from harness.files.loading import parse_bench
from harness.run.expected_power import Applied, ExpectedPower
from instruments.operator.person import ConsolePerson
from instruments.operator.plausibility import Expected, Question
from instruments.reading import Reading

SHOWS = (
    'voltage = { of_reading = "0.2 %", resolution = "0.1 V" }\npower = { of_reading = "0.5 %", resolution = "10 mW" }'
)


def by_hand(*changes: tuple[str, str]) -> Bench:
    """The bench by hand with a reference that shows voltage and power as well."""
    text = template("bench_by_hand.toml")
    for old, new in (*changes, ('serial = "M-0871"', f'serial = "M-0871"\n{SHOWS}')):
        assert old in text
        text = text.replace(old, new, 1)
    return parse_bench(text, "bench.toml")


def _found(**values: float) -> dict[str, Reading]:
    return {name: Reading(value, "", "", 0.0, 0.0) for name, value in values.items()}


@pytest.fixture
def power() -> ExpectedPower:
    return ExpectedPower(by_hand())


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
    power: ExpectedPower, current: float, shelf: float, believed: tuple[float, ...], doubted: tuple[float, ...]
) -> None:
    """P = U I cos(phi), |cos(phi)| <= 1 (IEC 80000-6, value from memory): the numbers worked by hand."""
    scale = 0.4 if current < 0.3 else 10.0
    held = power.expected(
        "reference_power",
        _found(reference=current, displayed=current, reference_voltage=230.0),
        Applied(shelf, None, scale),
    )
    assert held is not None
    assert [power for power in believed if not _believed(held, power)] == []
    assert [power for power in doubted if _believed(held, power)] == []


def _believed(held: Expected, value: float) -> bool:
    """Whether somebody at a terminal is asked only once."""
    asked: list[str] = []

    def ask(text: str) -> str:
        asked.append(text)
        return f"{value:.2f}"

    ConsolePerson(ask, lambda _: None).read_value(
        Question("shows", "reference power", 0.01, held.value, held.tolerance, "W", held.largest, held.limit)
    )
    return len(asked) == 1


def test_without_a_voltage_only_the_other_power_says_what_one_may_be(power: ExpectedPower) -> None:
    """P / I of the reference is the part of the voltage in phase with the current; the device stands in the same circuit."""
    applied = Applied(8.7, None, 10.0)
    assert power.expected("reference_power", _found(reference=8.7, displayed=8.7), applied) is None
    assert power.expected("displayed_power", _found(reference=8.7, displayed=8.7), applied) is None
    # On a range of 4 turns the display stands at 34.8 A for 8.7 A, and at 8004 W for 2001 W.
    held = power.expected("displayed_power", _found(reference=8.7, displayed=34.8, reference_power=2001.0), applied)
    assert held is not None
    assert held.value == pytest.approx(8004.0)
    # A display that reads no current may show any power.
    silent = _found(reference=0.012, displayed=0.0, reference_voltage=230.0, reference_power=1.1)
    assert power.expected("displayed_power", silent, applied) is None


def test_a_low_power_factor_may_give_way_to_the_default(power: ExpectedPower) -> None:
    """1 is what many displays show where they measure none (common practice, no published source); 0.098 for 0.98 is a slip."""
    for watts, typed, believed in ((1.1, 1.0, True), (1.1, 0.4, True), (2.7, 0.98, True), (2.7, 0.098, False)):
        found = _found(reference=0.012, displayed=0.24, reference_voltage=230.0, reference_power=watts)
        held = power.expected("displayed_power_factor", found, Applied(0.012, None, 0.4))
        assert held is not None
        assert held.largest == 1.0
        slips = held.value is not None and abs(typed - held.value) > held.tolerance * held.value
        assert slips is not believed


def held(bench: Bench, name: str, applied: Applied, **found: float) -> Any:
    return ExpectedPower(bench).expected(name, _found(**found), applied)


KETTLE = Applied(8.7, None, 10.0)
AT_230_V = {"reference": 8.7, "displayed": 8.7, "reference_voltage": 230.0}


def test_what_nothing_is_known_of_is_not_doubted() -> None:
    assert held(by_hand(), "reference_phase", KETTLE, **AT_230_V) is None


def test_no_power_is_above_voltage_times_current_beyond_what_mains_and_displays_do() -> None:
    """P <= U I (IEC 80000-6, value from memory). 5 % for the mains between two readings, three steps of current and of power.

    10 A range: steps of 1 mA and 10 mW: 1.05 x 230 V x 8.703 A + 0.03 W = 2101.80 W.
    """
    expected = held(by_hand(), "reference_power", KETTLE, **AT_230_V)
    assert expected.largest == pytest.approx(1.05 * 230 * 8.703 + 0.03)
    assert expected.limit == "voltage x current = 230 V x 8.7 A = 2001 VA"
    # Nothing of a power's own step is known where the file states none: its range's step is that of the range it was read on.
    small = held(
        by_hand(), "reference_power", Applied(0.012, None, 0.4), reference=0.012, displayed=0.2, reference_voltage=230.0
    )
    assert small.largest == pytest.approx(1.05 * 230 * (0.012 + 3 * 10e-6) + 0.03)
    unknown = held(by_hand(), "reference_power", Applied(8.7), **AT_230_V)
    assert unknown.largest == expected.largest
    entries = dict(by_hand().instruments)
    entries["multimeter"] = entries["multimeter"].model_copy(update={"power": None})
    bare = by_hand().model_copy(update={"instruments": entries})
    assert held(bare, "reference_power", KETTLE, **AT_230_V).largest == pytest.approx(1.05 * 230 * 8.703)


@pytest.mark.parametrize(
    ("lamp", "tolerance"),
    [
        # Nothing written on it: only the order of what it draws is known.
        ('{ name = "lamp", current = "0.23 A", longest_on = "8 h" }', 0.8),
        ('{ name = "lamp", current = "0.23 A", longest_on = "8 h", power_factor = 0.9 }', 0.5),
        (
            '{ name = "lamp", current = "0.23 A", longest_on = "8 h", power_factor = 0.9, power_factor_uncertainty = 0.01 }',
            0.2,
        ),
    ],
)
def test_a_power_is_doubted_by_how_well_the_load_is_known(lamp: str, tolerance: float) -> None:
    """A slip of one decimal place is 0.9 or 9 away, and is seen in each case."""
    bench = by_hand(('{ name = "lamp", current = "0.23 A", longest_on = "8 h" }', lamp))
    found = {"reference": 0.23, "displayed": 0.23, "reference_voltage": 230.0}
    expected = held(bench, "reference_power", Applied(0.23, None, 0.4), **found)
    power = 230 * 0.23 * (0.9 if "power_factor" in lamp else 1.0)
    assert (expected.value, expected.tolerance) == (pytest.approx(power), tolerance)
    assert _believed(expected, power * (1 - tolerance + 0.02))
    assert not _believed(expected, power / 10)


def test_a_load_that_keeps_its_power_factor_is_known_well() -> None:
    """A source on a link was told what to set; one that was not says nothing."""
    source = parse_bench(
        template("bench.toml").replace('serial = "M-0871"', f'serial = "M-0871"\n{SHOWS}'), "bench.toml"
    )
    expected = held(source, "reference_power", Applied(8.7, -0.5, 0.1), **AT_230_V)
    assert (expected.value, expected.tolerance) == (pytest.approx(1000.5), 0.2)
    assert held(source, "reference_power", Applied(8.7, None, 0.1), **AT_230_V).value is None
    # Where its range is not known, its largest one bounds the step.
    unknown, step = (
        held(source, "reference_power", Applied(8.7), **AT_230_V),
        source.entry("reference").ranges[-1].resolution,
    )
    assert unknown.largest == pytest.approx(1.05 * 230 * (8.7 + 3 * step) + 3 * 0.01)
    # What it was set to says nothing while nothing is to flow.
    assert held(source, "reference_power", Applied(0.0, -0.5, 0.1), **AT_230_V).value is None


@pytest.mark.parametrize("applied", [Applied(0.0), Applied(4.4)])
def test_nothing_applied_or_nothing_of_that_current_says_nothing_of_its_power(applied: Applied) -> None:
    """What stands on no shelf has no known power factor, and what does not flow has no power."""
    expected = held(by_hand(), "reference_power", applied, **AT_230_V)
    assert expected.value is None
    assert held(by_hand(), "displayed_power", applied, **AT_230_V).value is None


def test_a_displayed_power_is_doubted_only_beyond_any_error() -> None:
    """At most U I and the 0.8 that an error may come to; the reference's own power says it better where it is there."""
    unknown = held(by_hand(), "displayed_power", Applied(4.4), reference=8.7, displayed=34.8, reference_voltage=230.0)
    assert (unknown.value, unknown.largest) == (None, pytest.approx(1.8 * 230 * 34.8))
    assert unknown.limit == "voltage x displayed current = 230 V x 34.8 A = 8004 VA"
    known = held(by_hand(), "displayed_power", KETTLE, **AT_230_V)
    assert (known.value, known.tolerance) == (pytest.approx(2001.0), 0.8)
    by_power = held(by_hand(), "displayed_power", KETTLE, **AT_230_V, reference_power=-1000.0)
    assert by_power.value == pytest.approx(1000.0)
    # More than U I is a slip of the reference's, or of its voltage: no more is expected of the display.
    assert held(by_hand(), "displayed_power", KETTLE, **AT_230_V, reference_power=20010.0).value == pytest.approx(
        2001.0
    )


@pytest.mark.parametrize(
    ("found", "value"),
    [
        (AT_230_V, 1.0),
        (AT_230_V | {"reference_power": 1800.9}, 0.9),
        # A display that reads no current shows its default; so may one at a power factor below 0.56.
        (AT_230_V | {"displayed": 0.0}, None),
        (AT_230_V | {"reference_power": 1000.0}, None),
        ({"reference": 8.7, "displayed": 8.7, "reference_power": 2001.0}, None),
    ],
)
def test_a_displayed_power_factor_is_held_against_p_over_u_i(found: dict[str, float], value: float | None) -> None:
    """PF = P / (U I), at most 1 (IEC 80000-6, value from memory); an error of half its size is no slip."""
    expected = held(by_hand(), "displayed_power_factor", KETTLE, **found)
    assert expected.largest == 1.0
    if value is None:
        assert expected.value is None
        return
    assert expected.value == pytest.approx(value)
    assert _believed(expected, value / 2)
    assert not _believed(expected, value / 10)


def test_without_a_power_the_load_says_its_power_factor_or_nobody_does() -> None:
    assert held(by_hand(), "displayed_power_factor", Applied(4.4), **AT_230_V).value is None
    lamp = held(
        by_hand(),
        "displayed_power_factor",
        Applied(1.7, None, 10.0),
        reference=1.7,
        displayed=1.7,
        reference_voltage=230.0,
    )
    assert lamp.value == pytest.approx(0.85)
    assert held(by_hand(), "displayed_power_factor", KETTLE, **AT_230_V, reference_power=0.0).value == pytest.approx(
        1.0
    )
