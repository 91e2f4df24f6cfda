"""What a person is asked of a voltage: the first against the nominal one, each further one against the one before."""

from __future__ import annotations

import itertools

import pytest

from instruments.drivers.by_hand import PersonReference, PersonVoltmeter, ReadByEye
from instruments.operator.person import ConsolePerson


def at_a_keyboard(*answers: str) -> tuple[ConsolePerson, list[str]]:
    """A person who types `answers` one after another, and what the program says in between."""
    shown: list[str] = []
    typed = iter(answers)
    return ConsolePerson(ask=lambda _: next(typed), show=shown.append), shown


@pytest.mark.parametrize("mains", ["120.3 V", "100.1 V"])
def test_a_bench_on_another_mains_is_asked_about_it_once(mains: str) -> None:
    """Nominal voltages of IEC 60038 that are far from 230 V: typed twice at the first reading, never again; a slip still is seen."""
    clock = itertools.count().__next__
    person, shown = at_a_keyboard(mains, mains, mains, mains, "12.03 V", mains)
    voltmeter = PersonVoltmeter("voltmeter", person, "", 0.1, clock)
    read = [voltmeter.read().raw for _ in range(3)]
    assert read == [mains] * 3
    assert len(shown) == 1
    assert voltmeter.read().raw == mains
    assert len(shown) == 2


def test_the_same_where_the_reference_shows_the_voltage() -> None:
    """The voltage is read beside current and power."""
    clock = itertools.count().__next__
    person, shown = at_a_keyboard("120 V", "120 V", "121 V", "119.5 V")
    shown_by = ReadByEye("analyser", "reference", "", {10.0: 1e-3}, beside={"voltage": 0.1, "power": 0.1})
    reference = PersonReference(shown_by, person, clock, lambda _: None)
    read = [reference.read_beside(["voltage"])["voltage"].value for _ in range(3)]
    assert read == [120.0, 121.0, 119.5]
    assert len(shown) == 1


def test_the_range_is_asked_for_as_it_is_labelled_and_the_lead_with_it() -> None:
    """Many multimeters take large currents at a jack of their own: common practice, no published source."""
    asked: list[str] = []

    def ask(text: str) -> str:
        asked.append(text)
        return "done"

    person = ConsolePerson(ask=ask, show=asked.append)
    scales = {0.4: 1e-5, 10.0: 1e-3}
    shown = ReadByEye("multimeter", "reference", "", scales)
    reference = PersonReference(shown, person, itertools.count().__next__, lambda _: None)
    for scale in scales:
        reference.configure(scale)
    for text, label in zip(asked, ("range 400 mA.", "range 10 A."), strict=True):
        assert "Set multimeter to AC current" in text
        assert label in text
        assert "Move its lead if that range has a separate jack." in text


def test_a_change_of_wiring_is_asked_for_with_the_supply_disconnected_locked_off_and_proved_dead() -> None:
    """In this order, restored last: an unplugged load leaves jacks and probes at mains potential. Common practice, no published source."""
    asked: list[str] = []

    def ask(text: str) -> str:
        asked.append(text)
        return "done"

    person = ConsolePerson(ask=ask, show=asked.append)
    for part in ("reference", "secondary"):
        shown = ReadByEye("multimeter", part, "", {0.4: 1e-5, 10.0: 1e-3})
        PersonReference(shown, person, itertools.count().__next__, lambda _: None).configure(10.0)
    steps = (
        "Disconnect the bench's supply",
        "lock it off",
        "Prove dead",
        "the jacks of multimeter",
        "Set",
        "restore the supply",
    )
    for text in asked:
        places = [text.index(step) for step in steps]
        assert places == sorted(places)
    assert "check that the secondary loop is closed" in asked[1]
