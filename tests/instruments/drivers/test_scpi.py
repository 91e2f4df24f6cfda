"""Drivers over text on a link that gives prepared replies."""

import itertools
from collections.abc import Iterable

import pytest

from instruments.drivers.over_links import ScpiLoad, ScpiReference
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import QueuedError, ReplyError
from instruments.profile import Profile, load_profile


class _Answers:
    """A link that gives prepared replies, as a line does on which one of them came twice."""

    def __init__(self, replies: Iterable[str]) -> None:
        self.replies = iter(replies)
        self.sent: list[str] = []

    def write(self, text: str) -> None:
        self.sent.append(text)

    def read(self) -> str:
        return next(self.replies)

    def query(self, text: str) -> str:
        self.write(text)
        return self.read()

    def close(self) -> None: ...


def _asked(replies: Iterable[str]) -> ScpiInstrument:
    instrument = ScpiInstrument("load", "nowhere", load_profile("scpi_load"), lambda: _Answers(replies), lambda: 0.0)
    instrument.open()
    return instrument


def test_without_an_error_queue_a_duplicate_behind_the_last_reading_is_found() -> None:
    """The identification is asked for; the duplicate comes instead, or somebody else answers."""
    current = {"unit": "A", "get": "MEASure:CURRent:AC?"}
    profile = Profile.model_validate(
        {"kind": "scpi", "role": "reference", "title": "t", "quantities": {"current": current}}
    )
    for late, problem in (("+1.0E+0", "no field 3"), ("A,B,2,D", "answers as"), ("A,B,1,D", "")):
        link = _Answers(["A,B,1,D", "+1.0E+0", late])
        reference = ScpiReference("reference", "here", profile, lambda link=link: link, lambda: 0.0)  # type: ignore[misc]
        reference.open()
        reference.identify()
        assert reference.read().value == 1.0
        if problem:
            with pytest.raises(ReplyError, match=problem):
                reference.check()
        else:
            reference.check()
        assert link.sent[-1] == "*IDN?"


def test_a_limit_that_is_not_taken_is_an_error() -> None:
    """The load is asked for its limits; a voltage limit it did not take is told with both numbers."""
    link = _Answers(['0,"No error"', "300"])
    load = ScpiLoad("load", "here", load_profile("scpi_load"), lambda: link, lambda: 0.0)
    load.open()
    with pytest.raises(QueuedError, match=r"set to 250 V but says 300 V.*SOURce:VOLTage:PROTection\?"):
        load.protect_quantity("voltage", 250.0)


def test_a_load_is_given_no_limit_beyond_its_own_range() -> None:
    """It would refuse it; what its profile says is the largest current is enough."""
    link = _Answers(['0,"No error"', "20"])
    shipped = load_profile("scpi_load")
    current = shipped.quantities["current"].model_copy(update={"maximum": 20.0})
    profile = shipped.model_copy(update={"quantities": {**shipped.quantities, "current": current}})
    load = ScpiLoad("load", "here", profile, lambda: link, lambda: 0.0)
    load.open()
    load.protect(20.2)
    assert link.sent[0] == "SOURce:CURRent:PROTection 20"


def test_an_instrument_that_never_empties_its_queue_is_bounded() -> None:
    """Draining the error queue ends."""
    instrument = _asked(itertools.repeat('-350,"Queue overflow"'))
    with pytest.raises(QueuedError, match="did not empty"):
        instrument.drain_errors()


@pytest.mark.parametrize("entry", ["9" * 5000 + ',"Strange"', "", "no error", "٣,x"])
def test_an_error_queue_that_answers_anything(entry: str) -> None:
    """Error numbers are from -32768 to 32767 (SCPI-99); Python reads no number of 5000 digits."""
    instrument = _asked([entry])
    with pytest.raises(ReplyError, match="does not begin with its number") as caught:
        instrument.drain_errors()
    assert len(str(caught.value)) < 200
