"""The front of a certificate: verdict, causes, what was set aside, and the number."""

import dataclasses
import re
from typing import Any

import pytest

from harness.results import Reason, Results, Verdict
from harness.wording.results_file import to_json
from reports.certificate import certificate
from reports.first_page import certificate_number
from tests.reports import sample_results
from tests.reports.paper_text import body_of, pages_of, squeezed


@pytest.mark.parametrize(
    ("verdict", "word"),
    [("conditional pass", "The error is within the limit"), ("conditional fail", "The error exceeds the limit")],
)
def test_a_conditional_verdict_is_explained(verdict: Verdict, word: str) -> None:
    """ISO/IEC 17025:2017, 7.8.6.2: the statement of conformity names the rule; a conditional one leaves conformity open."""
    text = body_of(dataclasses.replace(sample_results.passing(), verdict=verdict))
    assert squeezed(word) in text
    assert squeezed("The measurement cannot decide whether the meter under test meets its claim") in text


def test_global_risks_and_tables_from_memory_are_told() -> None:
    good = sample_results.passing()
    rule = dataclasses.replace(
        good.decision, global_consumer_risk=0.0123, global_producer_risk=0.0456, memory=("IEC 62053-21:2003",)
    )
    text = body_of(dataclasses.replace(good, decision=rule))
    assert squeezed("largest global consumer's risk is 1.23 %") in text
    assert squeezed("producer's risk 4.56 %") in text
    assert squeezed("IEC 62053-21:2003 were written from memory") in text


def test_verdict_is_plain_and_a_pass_needs_no_causes() -> None:
    passed, failed = pages_of(sample_results.passing()), pages_of(sample_results.failing())
    assert re.search(r"^Pass$", passed[0], re.MULTILINE)
    assert re.search(r"^Fail$", failed[0], re.MULTILINE)
    assert "Likely causes" not in "".join(passed)
    assert "Likely causes" in failed[0]
    assert "93.1 %" in failed[0]
    assert "below 0.1 %" in failed[0]
    assert "This run cannot separate an error common to all ranges" in failed[0]


def test_a_suspected_fault_is_shown_even_when_the_verdict_is_pass() -> None:
    results = sample_results.passing()
    causes = tuple(dataclasses.replace(h, fault="gain") for h in results.diagnosis)
    assert "Likely causes" in pages_of(dataclasses.replace(results, diagnosis=causes))[0]


def test_overrides_and_interruptions_are_told_on_both_kinds_of_run() -> None:
    clean, set_aside = "".join(pages_of(sample_results.passing())), "".join(pages_of(sample_results.failing()))
    assert "None: the operator overrode no check." in clean
    assert "Interruptions none" in " ".join(clean.split())
    assert "Overrides: 1 check overridden by the operator" in set_aside
    assert "Interruptions resumed 2 times" in " ".join(set_aside.split())


@pytest.mark.parametrize(
    "change",
    [
        {"decision": dataclasses.replace(sample_results.passing().decision, guard_factor=0.5)},
        {"reasons": (Reason.of("no-point", "x4"),)},
        {"run": dataclasses.replace(sample_results.passing().run, evaluated_by="ratioproof 9.9")},
    ],
)
def test_what_says_something_else_has_another_number(change: dict[str, Any]) -> None:
    """One record can be evaluated by other causes, trials or versions; two certificates of one number must not differ."""
    results = sample_results.passing()
    assert certificate_number(to_json(dataclasses.replace(results, **change))) != certificate_number(to_json(results))
    assert certificate_number(to_json(sample_results.passing())) == certificate_number(to_json(results))


def test_the_results_are_written_out_once_for_their_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """It stands in four places of a certificate; writing a run's results out takes longer than a page. Not at all where they are given."""
    written: list[Results] = []
    monkeypatch.setattr("reports.certificate.to_json", lambda results: written.append(results) or to_json(results))
    made = certificate(sample_results.passing())
    assert len(written) == 1
    assert certificate(sample_results.passing(), to_json(sample_results.passing())) == made
    assert len(written) == 1


def test_a_link_without_a_certificate_is_named_as_not_traceable() -> None:
    """ISO/IEC 17025:2017, 6.5: traceability is a documented unbroken chain; the front of it is only as good as each link."""
    whole = sample_results.passing()
    first, *rest = whole.reference_chain
    loose = dataclasses.replace(first, traceable=False, certificate="", calibrated="", due="", laboratory="")
    broken = dataclasses.replace(whole, reference_chain=(loose, *rest))
    said = squeezed("Not traceable (no calibration certificate): reference shunt SH-88.")
    assert said in squeezed("".join(pages_of(broken)))
    assert squeezed("Not traceable") not in squeezed("".join(pages_of(whole)))


def test_a_cause_that_adds_to_the_likeliest_does_not_repeat_it() -> None:
    """A table of ten lines that begin alike hides what differs."""
    bad = sample_results.failing()
    first, second, *rest = sorted(bad.diagnosis, key=lambda h: -h.probability)
    both = dataclasses.replace(second, description=f"{first.description}; and the mains has another frequency")
    text = " ".join("".join(pages_of(dataclasses.replace(bad, diagnosis=(first, both, *rest)))).split())
    assert text.count(" ".join(first.description.split())) == 1
    assert "as the first cause; and the mains has another frequency" in text


def test_what_the_check_on_paper_leaves_open_is_on_the_certificate() -> None:
    results = sample_results.passing()
    assert squeezed("protected in daily use, or left open") not in body_of(results)
    reasons = (Reason.of("open-supply", ranges=("x4", "x20")), Reason.of("open-clamp-voltage"))
    told = body_of(dataclasses.replace(results, open_on_paper=reasons))
    assert (
        squeezed(
            "Wrong on paper, not protected in daily use, or left open, by what the device file states: nothing stated protects any part of x4, x20 from what "
            "the supply can drive (not stated: fuse or supply_socket); to which voltage an open secondary is limited (not stated: secondary_clamp_voltage)."
        )
        in told
    )
