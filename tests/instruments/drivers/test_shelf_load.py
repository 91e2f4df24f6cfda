"""Loads off a shelf: what a person is told before they plug in, and what counts as unplugged."""

from __future__ import annotations

import pytest

from instruments.drivers.roles import OnFor
from instruments.drivers.shelf_load import PersonLoad, ShelfLoad
from instruments.errors import InstrumentError
from instruments.operator.person import Overdue, ScriptedPerson
from instruments.waveform_names import DESCRIBED, parse_waveform

LAMP, KETTLE = ShelfLoad("lamp", 0.23), ShelfLoad("kettle", 8.7)


class Helper(ScriptedPerson):
    """Somebody who answers `insist` as scripted, and may be interrupted before they confirm."""

    def __init__(self, *insisted: str, raises: BaseException | None = None) -> None:
        super().__init__()
        self._insisted, self._raises = list(insisted), raises

    def confirm(self, text: str) -> str:
        answer = super().confirm(text)
        if self._raises is not None:
            raise self._raises
        return answer

    def insist(self, text: str, options: list[str]) -> str:
        self.asked.append(text)
        assert options == ["unplugged", "cannot"]
        return self._insisted.pop(0)


def load_of(person: Helper) -> tuple[PersonLoad, list[float]]:
    """The load, and what was really plugged in, in amperes."""
    plugged: list[float] = []
    return PersonLoad("shelf", person, "S-1", [LAMP, KETTLE], plugged.append), plugged


def test_who_plugs_in_is_told_which_load_how_cold_and_to_keep_their_hands_off() -> None:
    person = Helper()
    load, plugged = load_of(person)
    load.drive(0.23)
    (told,) = person.asked
    assert told.startswith(
        "Nothing is plugged in.\n  Plug in: lamp (about 230 mA), cooled down, its own switch off, set as its name says."
    )
    assert told.endswith("Then switch it on, keep your hands off the wiring, and stay there.")
    assert plugged == [0.23]


@pytest.mark.parametrize(("seconds", "questions"), [(180.0, 2), (599.9, 2), (600.0, 1), (28800.0, 1)])
def test_what_must_not_be_on_for_long_is_fetched_before_its_time_begins(seconds: float, questions: int) -> None:
    """Both questions say for how long; the first says that nothing is to be plugged in yet."""
    person = Helper()
    load, _ = load_of(person)
    order: list[int] = []
    load.drive(8.7, lambda: order.append(len(person.asked)), OnFor("kettle may be on", seconds))
    assert len(person.asked) == questions
    *fetched, plug = person.asked
    limit = "kettle may be on for 3 min" if seconds == 180 else "kettle may be on for"
    for told in fetched:
        assert told.startswith(
            "Nothing is plugged in. Do not plug in anything yet.\n  Fetch: kettle (about 8.7 A), cooled down"
        )
        assert "The permitted time begins with the next question" in told
        assert f"{limit}" in told
        assert told.endswith("at a time.")
    assert f"stay there: {limit}" in plug
    assert plug.endswith("from now.")
    # The last look at what stands in the way comes when it has been fetched, right before it is plugged in.
    assert order == [questions - 1]


@pytest.mark.parametrize("seconds", [180.0, 28800.0])
@pytest.mark.parametrize("name", ["half_wave", "burst 1/3"])
def test_before_a_load_that_magnetises_is_fetched_or_plugged_in_its_caution_is_shown(name: str, seconds: float) -> None:
    """Common practice, no published source: types AC and A of residual-current devices are not made for direct currents, type B is."""
    person = Helper()
    heater = ShelfLoad("heater on half", 4.0, parse_waveform(name))
    PersonLoad("shelf", person, "S-1", [heater], lambda _: None).drive(4.0, on_for=OnFor("it may be on", seconds))
    assert len(person.asked) == (2 if seconds == 180 else 1)
    for told in person.asked:
        first = told.splitlines()[0]
        assert first.startswith("CAUTION: heater on half puts a direct current, or nearly one")
        assert "type AC or A may no longer trip" in first
        assert "only behind one of type B" in first


def test_no_other_load_has_that_caution() -> None:
    plain = [parse_waveform(name) for name in DESCRIBED if name not in ("half_wave", "burst")]
    assert not any(ShelfLoad("lamp", 1.0, waveform).caution for waveform in (None, *plain))


def test_what_is_not_on_the_shelf_is_not_asked_for() -> None:
    person = Helper()
    load, plugged = load_of(person)
    with pytest.raises(InstrumentError, match=r"^shelf at a person: no load of 1 A on the shelf$"):
        load.drive(1.0)
    assert (person.asked, plugged) == ([], [])


def test_a_stop_before_the_question_leaves_nothing_plugged_in() -> None:
    """`ready` refuses: nobody was asked to plug in, and what was said of the load still holds."""
    person = Helper("unplugged")
    load, plugged = load_of(person)
    load.make_safe()

    def stop() -> None:
        raise Overdue

    with pytest.raises(Overdue):
        load.drive(0.23, stop)
    assert len(person.asked) == 1
    assert load.confirm_safe()[0] is True
    assert plugged == [0.0]


def test_who_is_interrupted_while_plugging_in_may_have_plugged_it_in() -> None:
    """It counts as plugged in from the question on: it is not safe before somebody has unplugged it, by its name."""
    person = Helper("unplugged", "unplugged")
    load, _ = load_of(person)
    load.make_safe()
    person._raises = KeyboardInterrupt()
    with pytest.raises(KeyboardInterrupt):
        load.drive(8.7)
    assert load.confirm_safe() == (False, "unplugged? -> no answer")
    load.make_safe()
    assert person.asked[-1] == (
        "kettle: switch it off and unplug it, and anything else that is plugged in. Type unplugged when nothing is plugged in behind the meter."
    )
    assert load.confirm_safe() == (True, "unplugged? -> unplugged")


def test_before_anything_was_plugged_in_every_load_is_meant_and_it_is_asked_once() -> None:
    """What an earlier run left on is not known. Said once, it holds until something is plugged in."""
    person = Helper("unplugged", "unplugged")
    load, plugged = load_of(person)
    assert load.confirm_safe() == (False, "unplugged? -> no answer")
    load.make_safe()
    load.make_safe()
    assert person.asked == [
        "Switch off and unplug every load. Type unplugged when nothing is plugged in behind the meter."
    ]
    load.drive(0.23)
    load.make_safe()
    assert person.asked[-1].startswith("lamp: switch it off and unplug it, and anything else that is plugged in.")
    load.drive(8.7)
    assert plugged == [0.0, 0.23, 0.0, 8.7]


def test_who_cannot_unplug_is_sent_to_the_breaker_and_it_is_safe_only_when_it_is_out() -> None:
    """Cut off is not unplugged: it would be on again as soon as somebody restores the supply."""
    person = Helper("cannot", "cannot", "unplugged")
    load, plugged = load_of(person)
    load.drive(8.7)
    load.make_safe()
    assert load.confirm_safe() == (False, "unplugged? -> cannot")
    for _ in range(2):
        load.make_safe()
        assert person.asked[-1] == (
            "Then cut its supply by hand, now, at the switch or breaker that feeds it, and lock it off. Leave it off until "
            "kettle is out. Type unplugged when nothing is plugged in behind the meter."
        )
    assert load.confirm_safe()[0] is True
    assert plugged == [8.7, 0.0]


def test_nobody_there_is_not_safe() -> None:
    person = Helper("")
    load, plugged = load_of(person)
    load.drive(0.23)
    load.make_safe()
    assert load.confirm_safe() == (False, "unplugged? -> no answer")
    assert plugged == [0.23]


def test_a_lamp_is_what_it_is() -> None:
    """It has no limit, no power factor and no smallest current to be set; its identity names what stands on the shelf."""
    load, _ = load_of(Helper())
    load.protect(1.0)
    assert load.least_current == 0.0
    assert load.takes_power_factor(1.0) is False
    with pytest.raises(
        InstrumentError, match=r"^shelf at a person: the power factor of a load off a shelf cannot be set$"
    ):
        load.set_power_factor(0.5)
    identity = load.identify()
    assert (identity.text, identity.serial) == ("plugged in by a person: lamp, kettle", "S-1")
