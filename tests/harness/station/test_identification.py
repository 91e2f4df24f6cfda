"""What stands against those who answered: another serial number, a transcript in their place, a calibration that does not hold today."""

from __future__ import annotations

import datetime as dt

import pytest

from harness.files.bench import Bench
from harness.files.loading import parse_bench
from harness.station.identification import calibration_problems, identity_problems, serial_elsewhere
from instruments.reading import Identity
from instruments.shipped_text import shipped_text

DAY = dt.timedelta(days=1)
CALIBRATED, DUE = dt.date(2026, 7, 29), dt.date(2027, 7, 29)
"""Put into the template for the multimeter and the reference transformer, which otherwise gets days around today."""


@pytest.fixture
def bench() -> Bench:
    text = shipped_text("harness", "templates/bench.toml")
    return parse_bench(text.replace("@CALIBRATED@", str(CALIBRATED)).replace("@DUE@", str(DUE)), "bench.toml")


def with_entry(bench: Bench, name: str, **changes: object) -> Bench:
    entries = dict(bench.instruments)
    entries[name] = entries[name].model_copy(update=changes)
    return bench.model_copy(update={"instruments": entries})


def who(serial: str, text: str = "Quillmoor,L,{},1") -> Identity:
    return Identity(text.format(serial), serial)


def test_the_right_ones_are_not_spoken_against(bench: Bench) -> None:
    identities = {name: who(entry.serial) for name, entry in bench.instruments.items()}
    assert identity_problems(bench, identities, CALIBRATED) == {}
    assert identity_problems(bench, identities, DUE) == {}


def test_another_serial_number_is_told_with_both(bench: Bench) -> None:
    told = identity_problems(bench, {"source": who("L-9999"), "relay": who("R-0045")}, CALIBRATED)
    assert told == {
        "serial:source": "source at TCPIP::127.0.0.1::15025::SOCKET: serial 'L-9999' answers, expected 'L-2203' as in the bench file"
    }


@pytest.mark.parametrize(("stated", "answered"), [("", "L-9999"), ("L-2203", "")])
def test_a_serial_number_that_is_not_stated_or_not_answered_says_nothing(
    bench: Bench, stated: str, answered: str
) -> None:
    """Some instruments have none in their reply; nothing is held against them that was not said."""
    assert identity_problems(with_entry(bench, "source", serial=stated), {"source": who(answered)}, CALIBRATED) == {}


def test_a_person_has_no_address(bench: Bench) -> None:
    by_eye = with_entry(bench, "monitor", profile="person", address="")
    (told,) = identity_problems(by_eye, {"monitor": who("1")}, CALIBRATED).values()
    assert told.startswith("monitor at a person: serial '1' answers")


def test_a_serial_number_in_another_field_of_the_reply_is_pointed_at() -> None:
    """IEEE 488.2, 10.14: maker, type, serial number, firmware, parted by commas; some order them otherwise."""
    identity = Identity("Quillmoor, L-2203 ,M,1", "M")
    assert serial_elsewhere(identity, "L-2203") == "; that is field 1 of the reply (serial_field counts from 0)"
    assert serial_elsewhere(identity, "L-22") == ""
    assert serial_elsewhere(Identity("L-2203", "L-2203"), "L-2203") == ""


def test_the_field_is_told_with_the_problem(bench: Bench) -> None:
    (told,) = identity_problems(bench, {"source": Identity("L-2203,M", "M")}, CALIBRATED).values()
    assert told.endswith("as in the bench file; that is field 0 of the reply (serial_field counts from 0)")


def test_what_a_transcript_answers_was_not_measured_now(bench: Bench) -> None:
    """A certificate must not pass old readings off as new ones."""
    replayed = with_entry(bench, "monitor", address="transcript:kept/monitor.jsonl")
    assert identity_problems(replayed, {"monitor": who("40117")}, CALIBRATED) == {
        "replayed:monitor": "monitor: replayed from kept/monitor.jsonl, not measured now"
    }


@pytest.mark.parametrize(
    ("today", "says"),
    [
        (CALIBRATED - DAY, "is dated 2026-07-29, which is yet to come (today is 2026-07-28)"),
        (DUE + DAY, "was due on 2027-07-29, today is 2027-07-30"),
    ],
)
def test_a_calibration_holds_from_its_day_to_its_due_day(bench: Bench, today: dt.date, says: str) -> None:
    """ISO/IEC 17025, 6.4.13 f: calibration dates, and the due date of the next; both days count (common practice, no published source).

    The part of the reference path has a certificate of its own.
    """
    told = calibration_problems(bench, today)
    assert told == {
        "due:multimeter": f"multimeter: calibration QB-2031 {says}",
        "due:reference_path": f"reference transformer T-0415: calibration QB-1977 {says}",
    }
    assert identity_problems(bench, {"multimeter": who("M-0871")}, today) == told
    for day in (CALIBRATED, DUE):
        assert calibration_problems(bench, day) == {}


def test_only_those_that_play_a_role_or_are_named_count(bench: Bench) -> None:
    """A spare in the bench file may have expired; one that answered is looked at even when another was asked for."""
    entries = dict(bench.instruments)
    entries["spare"] = entries["multimeter"]
    spare = bench.model_copy(update={"instruments": entries})
    late = DUE + DAY
    assert "due:spare" not in calibration_problems(spare, late)
    assert "due:spare" in calibration_problems(spare, late, ["spare"])
    assert "due:multimeter" not in calibration_problems(spare, late, ["spare"])
    assert "due:spare" not in identity_problems(spare, {"multimeter": who("M-0871")}, late)
    # Who did not answer gives no readings.
    assert "due:multimeter" not in identity_problems(spare, {"source": who("L-2203"), "spare": who("M-0871")}, late)
    assert "due:spare" in identity_problems(spare, {"source": who("L-2203"), "spare": who("M-0871")}, late)


def test_a_direct_path_has_no_certificate(bench: Bench) -> None:
    direct = bench.model_copy(update={"reference_path": bench.reference_path.model_copy(update={"part": None})})
    assert list(calibration_problems(direct, DUE + DAY)) == ["due:multimeter"]
