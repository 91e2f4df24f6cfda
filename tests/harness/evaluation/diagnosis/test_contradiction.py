"""Readings that contradict each other are no evidence, though every point passes."""

from harness.evaluation.range_evaluation import EvaluationOptions, RangesOutcome, evaluate_ranges
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.observations import ObservedPoint
from tests.harness.evaluation.conftest import RUN_DATE, observed, sweep
from tests.in_words import in_words


def _outcome(device: Device, bench: Bench, points: list[ObservedPoint]) -> RangesOutcome:
    return evaluate_ranges(device, bench, points, [], RUN_DATE)


def _exchanged(rng: str, current: float) -> float:
    """Another meter, 0.5 % higher, from the second range on."""
    return current * (10.05 if rng == "x10" else 1)


def test_turns_that_are_no_whole_number_are_no_evidence(device: Device, bench: Bench) -> None:
    """A meter exchanged between the ranges: every point passes, and the run does not."""
    outcome = _outcome(device, bench, sweep(device, _exchanged))
    ten = outcome.ranges[1].effective_turns
    assert ten is not None
    assert not ten.holds_whole_number
    assert all(p.ratio_error.verdict == "pass" for r in outcome.ranges for p in r.points)
    assert outcome.verdict == "fail"
    assert "turns is no whole number" in in_words(outcome.reasons)[0]
    overridden = evaluate_ranges(
        device, bench, sweep(device, _exchanged), [], RUN_DATE, EvaluationOptions(contradiction_overridden=True)
    )
    assert overridden.verdict == "pass"
    assert overridden.contradictions == outcome.contradictions


def test_readings_that_disagree_upward_and_downward_are_no_evidence(device: Device, bench: Bench) -> None:
    """0.6 % low going up and 0.6 % high going down pass a claim of 1 %, and no one meter reads both."""
    points = sweep(device, lambda r, i: i * (10 if r == "x10" else 1))
    parted = []
    for p in points:
        part = 0.994 if p.direction == "up" else 1.006
        current = p.nominal_current
        parted.append(observed(p.range, current, [pair.displayed * part for pair in p.pairs], direction=p.direction))
    outcome = _outcome(device, bench, parted)
    assert all(p.ratio_error.verdict == "pass" for r in outcome.ranges for p in r.points)
    assert outcome.verdict == "fail"
    assert any("upward and downward" in reason for reason in in_words(outcome.reasons))


def test_readings_that_nothing_explains_are_no_evidence(device: Device, bench: Bench) -> None:
    """One range a third of a percent off at one current alone, far beyond its scatter: neither sound nor a known cause."""

    def odd(rng: str, current: float) -> float:
        turned = current * (10 if rng == "x10" else 1)
        return turned * (1.006 if 5 < turned < 20 else 1.0)

    outcome = _outcome(device, bench, sweep(device, odd))
    assert all(p.ratio_error.verdict == "pass" for r in outcome.ranges for p in r.points)
    assert outcome.verdict == "fail"
    assert any("neither a sound meter nor a known cause" in reason for reason in in_words(outcome.reasons))
