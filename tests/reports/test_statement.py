"""The statement of conformity on the front: what was found beyond a limit, and what was only not shown to be within."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from harness.commands.summary_lines import summary_lines
from harness.evaluation.conformity.decision import judgement
from harness.results import Results, SmallestCurrent, Verdict, does_not_meet
from tests.rejudged import rejudged
from tests.reports import sample_results
from tests.reports.paper_text import pages_of, squeezed

MEETS_NOT, NOT_SHOWN = (
    "The meter under test does not meet its claim.",
    "Conformity with the claim was not demonstrated.",
)


def _failing_at(part_of_limit: float) -> Results:
    """One point at this part of its limit whose verdict is fail."""
    results = sample_results.passing()
    first = results.ranges[0]
    error = first.points[0].ratio_error
    failed = rejudged(error, value=part_of_limit * (error.limit or 0.0), verdict="fail", acceptance_limit=0.0)
    point = dataclasses.replace(first.points[0], ratio_error=failed)
    ranges = (dataclasses.replace(first, points=(point, *first.points[1:]), verdict="fail"), *results.ranges[1:])
    return dataclasses.replace(results, ranges=ranges, verdict="fail")


@pytest.mark.parametrize(("part", "said", "not_said"), [(0.9, NOT_SHOWN, MEETS_NOT), (-1.1, MEETS_NOT, NOT_SHOWN)])
def test_an_error_within_the_limit_is_not_said_to_miss_the_claim(part: float, said: str, not_said: str) -> None:
    """ISO/IEC 17025:2017, 7.8.6, and ILAC-G8:09/2019: a rejection for the guard band's sake is no finding of nonconformity."""
    text = squeezed("".join(pages_of(_failing_at(part))))
    assert squeezed(said) in text
    assert squeezed(not_said) not in text


def test_a_verdict_of_one_current_is_never_told_as_that_of_a_range() -> None:
    """ISO/IEC 17025:2017, 7.8.6.2: a statement of conformity says to which results it applies, wherever the verdict stands."""
    whole = sample_results.passing()
    first, *rest = whole.ranges
    partly = dataclasses.replace(whole, ranges=(dataclasses.replace(first, stands_for=(2.1, 2.1)), *rest))
    pages = pages_of(partly)
    front = squeezed(pages[0])
    assert squeezed("Partial") in front
    assert (
        squeezed(f"Only part of the claim was verified: {first.name} at 2.1 A. Nothing is stated for other currents.")
        in front
    )
    text = squeezed("".join(pages))
    # At a glance and at the head of the range.
    assert text.count(squeezed("pass at 2.1 A only")) == 2
    lines = summary_lines(partly, Path())
    assert lines[0] == "verdict: PASS, for part of the claim only"
    assert "pass at 2.1 A only" in lines[1]
    assert "part" not in summary_lines(whole, Path())[0]


def test_other_turns_do_not_meet_a_claim_whatever_the_points_say() -> None:
    results = sample_results.passing()
    assert not does_not_meet(results)
    first = results.ranges[0]
    other = dataclasses.replace(first, expected_turns=first.expected_turns + 1)
    assert first.effective_turns is None or does_not_meet(dataclasses.replace(results, ranges=(other,)))


def test_how_each_verdict_is_told() -> None:
    """ILAC-G8:09/2019, the binary and the non-binary statement."""
    error = sample_results.passing().ranges[0].points[0].ratio_error

    def told(verdict: Verdict, value: float) -> str | None:
        return judgement(rejudged(error, value=value, limit=0.01, verdict=verdict))

    assert told("fail", -0.009) == "conformity not demonstrated"
    assert told("fail", -0.011) == "does not meet the claim"
    assert told("conditional pass", 0.009) == "passes conditionally"
    assert told("conditional fail", 0.011) == "fails conditionally"
    assert told("pass", 0.001) is None
    assert judgement(rejudged(error, limit=None)) is None


def test_a_smallest_current_that_was_not_shown_conforms_to_nothing() -> None:
    """JCGM 106:2012, 3.3.1: conformity is that a requirement is fulfilled. Nothing is said of a claim that no load came near to."""
    results = sample_results.passing()
    unshown = SmallestCurrent(None, 0.3, None, None, 0.2, None, ())
    ranges = tuple(dataclasses.replace(r, points=(), smallest=unshown) for r in results.ranges[:1])
    text = squeezed("".join(pages_of(dataclasses.replace(results, ranges=ranges))))
    assert squeezed(f"No result failed; on {ranges[0].name} the smallest current claimed was not shown.") in text
    assert squeezed("All results of this procedure conform") not in text
