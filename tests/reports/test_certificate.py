"""The certificate as its reader meets it: the text of the finished PDF, and what makes two of them equal."""

import dataclasses
import hashlib
import math
import re

import pytest

from harness.results import Condition, Reason, Results
from harness.safety.cautions import CAUTIONS, NOT_VERIFIED
from harness.wording.claim_parts import claim_text
from harness.wording.results_file import from_json, to_json
from harness.wording.sentences import decision_statement, reason_line, reason_text
from reports.certificate import SIMULATED, certificate
from reports.fonts import printable
from tests.rejudged import rejudged
from tests.reports import sample_results
from tests.reports.paper_text import body_of, pages_of, printed, squeezed
from tests.reports.sample_results import MAKERS, Maker


def _texts(results: Results) -> list[str]:
    """Every text of the results that a reader must find, word for word."""
    run, device = results.run, results.device
    texts = [
        run.laboratory,
        run.laboratory_address,
        run.laboratory_statement,
        run.operator,
        run.procedure_title,
        f"revision {run.procedure_revision}",
        run.procedure_description,
        run.procedure_hash,
        run.reference_path,
        run.record_file,
        str(run.record_lines),
        run.record_hash,
        run.software,
        run.evaluated_by,
        *run.overrides,
        *(reason_line(reason) for reason in results.reasons),
        device.maker,
        device.type,
        device.serial,
        device.owner,
        device.modified_by,
        device.modification,
        claim_text(device.claim),
        decision_statement(results.decision),
        *(text for pair in device.path_ratings.items() for text in pair),
        *(text for r in results.ranges for text in (r.name, r.ceiling_set_by, *map(reason_text, r.remarks))),
    ]
    for i in results.instruments:
        texts += [i.name, i.identity, i.serial, i.certificate, i.calibrated, i.due, i.laboratory, *i.accuracy]
    for link in results.reference_chain:
        texts += [
            link.part,
            link.name,
            link.serial,
            link.certificate,
            link.calibrated,
            link.due,
            link.laboratory,
            link.known,
        ]
    return [text for text in texts if text]


@pytest.mark.parametrize("make", MAKERS)
def test_every_text_of_the_results_is_on_the_certificate(make: Maker) -> None:
    results = make()
    body = body_of(results).lower()
    missing = [
        text
        for text in _texts(results)
        if squeezed(printable(text)).replace("-", "−").lower() not in body.replace("-", "−")
    ]
    assert missing == []


# ISO/IEC 17025:2017, 7.8.2.1 a) to p), 7.8.4.1, 7.8.6.2 (content from memory, wording ours)
REQUIRED = (
    "Verification certificate",
    "Location",
    "Certificate number",
    "End of certificate",
    "Customer or owner",
    "Procedure",
    "Serial number",
    "as presented",
    "Started",
    "Finished",
    "Date of issue",
    "relate only to the meter under test",
    "shall not be reproduced except in full without approval of the laboratory",
    "Approved by",
    "Verified by",
    "Temperature",
    "Relative humidity",
    "coverage probability of approximately 95.45 %",
    "JCGM 100:2008",
    "Metrological traceability",
    "Calibration certificate",
    "Decision rule",
    "The specification is the claim of the meter under test",
    "not an accredited certificate unless the laboratory states otherwise",
    *CAUTIONS,
    NOT_VERIFIED,
)


@pytest.mark.parametrize("make", MAKERS)
def test_what_the_standard_asks_for_is_said(make: Maker) -> None:
    body = body_of(make())
    assert [phrase for phrase in REQUIRED if squeezed(phrase) not in body] == []


@pytest.mark.parametrize("make", MAKERS)
def test_pages_are_counted_and_carry_number_and_stamp(make: Maker) -> None:
    results = make()
    pages = pages_of(results)
    digits = hashlib.sha256(to_json(results).encode()).hexdigest()[:12].upper()
    number = f"{digits[:4]}-{digits[4:8]}-{digits[8:]}"
    for n, page in enumerate(pages, 1):
        assert re.findall(r"page (\d+) of (\d+)", page) == [(str(n), str(len(pages)))]
        assert f"Verification certificate {number}" in page
        assert (SIMULATED in page) == results.run.simulated
    assert f"End of certificate {number}" in pages[-1]


@pytest.mark.parametrize("make", MAKERS)
def test_same_results_give_the_same_bytes(make: Maker) -> None:
    """Made anew from results made anew."""
    assert certificate(make.__wrapped__()) == printed(make())


def test_results_read_back_from_json_give_the_same_certificate() -> None:
    """Infinite degrees of freedom are null in the file."""
    results = sample_results.failing()
    assert certificate(from_json(to_json(results))) == printed(results)


def test_a_number_that_is_not_finite_is_not_printed() -> None:
    results = sample_results.passing()
    point = results.ranges[0].points[0]
    bad = dataclasses.replace(point, ratio_error=rejudged(point.ratio_error, value=math.nan))
    broken = dataclasses.replace(results, ranges=(dataclasses.replace(results.ranges[0], points=(bad,)),))
    with pytest.raises(ValueError, match="found nan to print"):
        certificate(broken)


def _cold() -> Results:
    temperature = Condition("temperature", "degC", -2.5, None, None, None, "")
    return dataclasses.replace(sample_results.passing(), conditions=(temperature,))


def _with_run(**changes: object) -> Results:
    results = sample_results.passing()
    return dataclasses.replace(results, run=dataclasses.replace(results.run, **changes))


def _with_device(**changes: object) -> Results:
    results = sample_results.passing()
    return dataclasses.replace(results, device=dataclasses.replace(results.device, **changes))


@pytest.mark.parametrize(
    ("results", "phrase"),
    [
        (
            dataclasses.replace(sample_results.passing(), instruments=(), reference_chain=()),
            "The record names no reference instrument",
        ),
        (dataclasses.replace(sample_results.passing(), ranges=(), reasons=()), "End of certificate"),
        (_with_device(path_ratings={}), "none stated"),
        (_with_device(owner=""), "Customer or owner not stated"),
        (_with_device(modification="winding " * 1500), "End of certificate"),
        (
            dataclasses.replace(
                sample_results.passing(), reasons=(Reason.of("left-out", what="a reason " * 1500, why="long"),)
            ),
            "End of certificate",
        ),
        (_with_run(overrides=("an override " * 1500,)), "End of certificate"),
        (_with_run(started="unknown"), "unknown"),
        (
            dataclasses.replace(
                sample_results.passing(), conditions=(Condition("temperature", "degC", -2.5, None, None, None, ""),)
            ),
            "−2.5 °C, stated, not measured",
        ),
        (sample_results.passing(), "Frequency 50.01 Hz, 49.97 Hz to 50.04 Hz, measured with reference M-2201"),
        (
            sample_results.passing(),
            "Voltage not measured Temperature 22.4 °C, measured with sensor E-3",
        ),
        (
            sample_results.passing(),
            "Waveform, not measured load: sinusoidal, total harmonic distortion at most 0.5 %, as stated; nothing was verified for a current of "
            "another waveform",
        ),
        (_with_run(replayed=True), "Nothing was measured during the replay"),
        (_with_run(replayed=True), "replayed from the transcripts of that run"),
        (_with_run(clock_steps=("at line 9 it went 1 h ahead",)), "Time of day at line 9 it went 1 h ahead"),
        (sample_results.passing(), "It is not a signature."),
    ],
)
def test_what_is_missing_or_longer_than_a_page_is_still_printed(results: Results, phrase: str) -> None:
    assert squeezed(phrase) in body_of(results)
