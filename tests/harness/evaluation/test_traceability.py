"""The chain of references, link by link (ISO/IEC 17025:2017, 6.5: an unbroken chain of calibrations, each with its uncertainty)."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from harness.evaluation.traceability import question_of_the_part, reference_chain
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench
from harness.record.journal import Record
from harness.results import ChainLink
from tests.harness.evaluation.conftest import BENCH, recalibrated


def _record(*lines: dict[str, Any]) -> Record:
    return Record(lines, b"", "")


def _prompt(bench: Bench, answer: str) -> dict[str, Any]:
    return {"kind": "prompt", "text": question_of_the_part(bench), "answer": answer}


def _identity(serial: str, instrument: str = "multimeter") -> dict[str, Any]:
    return {"kind": "identity", "instrument": instrument, "serial": serial}


def test_the_current_passes_the_part_and_then_the_instrument(device: Device, bench: Bench) -> None:
    """Each link with the certificate the bench file gives it, and with what is known of its error."""
    part, instrument = reference_chain(device, bench, _record())
    assert part == ChainLink(
        part="reference transformer",
        name="",
        serial="T-0415",
        serial_known_from="as the bench file states it",
        certificate="Q-2",
        calibrated="2026-01-01",
        due="2027-01-01",
        laboratory="",
        traceable=True,
        known=part.known,
    )
    assert "corrected from 1 mA to 100 A at 50 Hz, U (k = 2) 0.05 % to 0.05 %" in part.known
    assert "100 mohm" in part.known
    of_instrument = {"part": "reference instrument", "name": "multimeter", "serial": "", "certificate": "Q-1"}
    assert dataclasses.replace(instrument, known="") == dataclasses.replace(part, **of_instrument, known="")


def test_a_link_without_a_certificate_breaks_the_chain(device: Device, bench: Bench) -> None:
    part = bench.reference_path.part
    assert part is not None
    bare = part.model_copy(update={"calibration": None})
    path = bench.reference_path.model_copy(update={"part": bare})
    broken, _ = reference_chain(device, bench.model_copy(update={"reference_path": path}), _record())
    assert not broken.traceable
    assert (broken.certificate, broken.calibrated, broken.due, broken.laboratory) == ("", "", "", "")


@pytest.mark.parametrize(
    ("answers", "known_from"),
    [
        (["yes"], "confirmed at the bench"),
        (["no", "yes"], "confirmed at the bench"),
        (["yes", "no"], "as the bench file states it"),
        (["not asked"], "as the bench file states it"),
        ([], "as the bench file states it"),
    ],
)
def test_the_last_answer_vouches_for_the_part(
    device: Device, bench: Bench, answers: list[str], known_from: str
) -> None:
    """Its serial number is only confirmed by who read its plate last; another question's yes is none."""
    asked = [_prompt(bench, answer) for answer in answers]
    other = {"kind": "prompt", "text": "Is the cover on?", "answer": "yes"}
    part, _ = reference_chain(device, bench, _record(*asked, other))
    assert part.serial_known_from == known_from


def test_an_instrument_vouches_for_itself_by_what_it_answers(device: Device, bench: Bench) -> None:
    """What it answered last, and it alone; what a person typed is no answer of an instrument."""
    lines = (_identity("M-1"), _identity("M-2"), _identity("S-9", "source"))
    *_, instrument = reference_chain(device, bench, _record(*lines))
    assert (instrument.serial, instrument.serial_known_from) == ("M-2", "answered by the instrument")
    *_, silent = reference_chain(device, bench, _record(_identity("")))
    assert (silent.serial, silent.serial_known_from) == ("", "as the bench file states it")
    entry = bench.instruments["multimeter"].model_copy(update={"profile": "person"})
    by_hand = bench.model_copy(update={"instruments": {**bench.instruments, "multimeter": entry}})
    *_, typed = reference_chain(device, by_hand, _record(_identity("M-1")))
    assert (typed.serial, typed.serial_known_from) == ("M-1", "as the bench file states it")


def test_a_reference_in_the_load_lead_is_the_only_link(device: Device, bench: Bench) -> None:
    path = bench.reference_path.model_copy(update={"kind": "direct", "part": None})
    direct = bench.model_copy(update={"reference_path": path})
    assert question_of_the_part(direct) == ""
    (only,) = reference_chain(device, direct, _record())
    assert only.part == "reference instrument"


PART = 'burden = "0.1 ohm"\ncalibrated = ['


@pytest.mark.parametrize(
    ("before", "after", "known"),
    [
        ("ratio_error = ", "ratio_error = ", "corrected from 1 mA to 100 A at 50 Hz, U (k = 2) 0.05 % to 0.05 %"),
        (
            '"100 A", frequency = "50 Hz", ratio_error = "0 %", uncertainty = "0.05 %"',
            '"100 A", frequency = "50 Hz", ratio_error = "0 %", uncertainty = "0.2 %"',
            "U (k = 2) 0.05 % to 0.2 %",
        ),
        (PART, f'bound = "0.3 %"\nlowest_current = "0.5 A"\n{PART}', "± 0.3 % from 500 mA to 100 A where it is not"),
        ("ratio = 20\n", "ratio = 20\n", "with 100 mohm on its secondary"),
    ],
)
def test_what_is_known_of_the_part_is_what_its_certificate_and_its_maker_say(
    device: Device, before: str, after: str, known: str
) -> None:
    assert before in BENCH
    part, _ = reference_chain(device, parse_bench(BENCH.replace(before, after), "bench.toml"), _record())
    assert known in part.known
    assert "load lead" not in part.known


def test_one_calibrated_current_is_a_span_of_its_own(device: Device, bench: Bench) -> None:
    part, _ = reference_chain(device, recalibrated(bench, [{"current": "10 A"}]), _record())
    assert "corrected from 10 A to 10 A at 50 Hz" in part.known
    rows = [{"current": at, "uncertainty": u} for at, u in (("1 A", "0.1 %"), ("10 A", "0.3 %"), ("99 A", "0.2 %"))]
    part, _ = reference_chain(device, recalibrated(bench, rows), _record())
    assert "corrected from 1 A to 99 A at 50 Hz, U (k = 2) 0.1 % to 0.3 %" in part.known


def test_loops_of_the_load_lead_belong_to_what_is_known_and_to_the_question(device: Device, bench: Bench) -> None:
    path = bench.reference_path.model_copy(update={"loops": 4})
    looped = bench.model_copy(update={"reference_path": path})
    part, _ = reference_chain(device, looped, _record())
    assert "load lead passed 4 times through it" in part.known
    assert "the load lead passed 4 times through it" in question_of_the_part(looped)
    assert "lead" not in question_of_the_part(bench)
    assert "reference transformer T-0415" in question_of_the_part(bench)
