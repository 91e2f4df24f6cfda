"""What a whole run comes to: verdicts, the reasons for them, and what must not pass."""

import csv
import dataclasses
import itertools
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from harness.evaluation.range_evaluation import RangesOutcome, evaluate_ranges
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device
from harness.record.observations import ObservedPoint, ObservedRange
from harness.results import worst
from harness.wording.sentences import verdict_text
from tests.harness.evaluation.conftest import BENCH, DEVICE, RUN_DATE, observed, sweep
from tests.in_words import in_words


def _right(rng: str, current: float) -> float:
    return current * (10 if rng == "x10" else 1)


def _outcome(
    device: Device, bench: Bench, points: list[ObservedPoint], ranges: tuple[ObservedRange, ...] = ()
) -> RangesOutcome:
    return evaluate_ranges(device, bench, points, ranges, RUN_DATE)


def test_a_right_meter_passes_without_a_word(device: Device, bench: Bench) -> None:
    """Every point on the line: pass, no reason, whole turns, a straight line without hysteresis."""
    outcome = _outcome(device, bench, sweep(device, _right))
    assert outcome.verdict == "pass"
    assert outcome.reasons == ()
    for result in outcome.ranges:
        assert result.verdict == "pass"
        assert result.linearity is not None
        assert result.linearity.hysteresis == pytest.approx(0.0, abs=1e-12)
        assert result.line is not None
        assert result.line.slope == pytest.approx(1.0, abs=1e-3)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None)
@given(st.floats(-0.004, 0.004), st.floats(-0.001, 0.001), st.integers(1, 5))
def test_any_right_meter_passes(device: Device, bench: Bench, gain: float, curvature: float, pairs: int) -> None:
    """Errors of less than half the claim pass."""
    points = sweep(device, lambda r, i: (1 + gain + curvature * np.log10(_right(r, i) / 10)) * _right(r, i), pairs)
    outcome = _outcome(device, bench, points)
    assert outcome.verdict == "pass", outcome.reasons


def test_errors_beyond_the_claim_fail(device: Device, bench: Bench) -> None:
    """The claim is 1 % and two display steps: 2 % high fails every point, and the line says so with its numbers."""
    outcome = _outcome(device, bench, sweep(device, lambda r, i: 1.02 * _right(r, i)))
    assert outcome.verdict == "fail"
    assert re.match(
        r"x1: does not meet the claim at 9 of 9 points, worst \(\+(1\.99|2\.0)", in_words(outcome.reasons)[0]
    )
    assert all(p.ratio_error.verdict == "fail" for r in outcome.ranges for p in r.points)


def test_what_all_ranges_have_in_common_is_a_note_of_the_diagnosis(device: Device, bench: Bench) -> None:
    """2 % on every range alike is no number of turns: one turn of ten is 10 %."""
    outcome = _outcome(device, bench, sweep(device, lambda r, i: 1.02 * _right(r, i)))
    assert "common-to-all" in {note.code for note in outcome.diagnosis_notes}


def test_within_the_limit_but_not_by_its_uncertainty(device: Device, bench: Bench, simple_bench: Bench) -> None:
    """ILAC-G8:09/2019: 0.95 % of 1 % passes by simple acceptance and fails with a guard band of U, which is told."""
    points = sweep(device, lambda r, i: 1.0095 * _right(r, i))
    assert _outcome(device, simple_bench, points).verdict == "pass"
    guarded = _outcome(device, bench, points)
    assert guarded.verdict == "fail"
    assert " ± 0." in in_words(guarded.reasons)[0]


@pytest.mark.parametrize(
    ("gain", "verdict", "told"),
    [(1.0095, "conditional pass", "passes conditionally"), (1.0108, "conditional fail", "fails conditionally")],
)
def test_four_verdicts_over_a_whole_run(device: Device, gain: float, verdict: str, told: str) -> None:
    """ILAC-G8:09/2019, non-binary statement (value from memory): within U of the limit the verdict is conditional, on the side it lies."""
    four = parse_bench(BENCH + '[decision]\nverdicts = "four"\n', "bench.toml")
    outcome = _outcome(device, four, sweep(device, lambda r, i: gain * _right(r, i)))
    assert outcome.verdict == verdict
    assert told in in_words(outcome.reasons)[0]
    assert " ± 0." in in_words(outcome.reasons)[0]
    for point in itertools.chain.from_iterable(r.points for r in outcome.ranges):
        assert point.ratio_error.conformity.acceptance_limit == pytest.approx(
            point.ratio_error.limit - point.ratio_error.expanded_uncertainty
        )
        assert point.ratio_error.conformity.test_uncertainty_ratio == pytest.approx(
            point.ratio_error.limit / point.ratio_error.expanded_uncertainty
        )
        assert point.ratio_error.verdict != "fail"


def test_a_ratio_that_is_missed_in_the_run_is_remarked(device: Device) -> None:
    asking = parse_bench(BENCH + "[decision]\nleast_test_uncertainty_ratio = 500\n", "bench.toml")
    outcome = _outcome(device, asking, sweep(device, _right))
    assert outcome.verdict == "pass"
    assert all(any("less than the required 500" in remark for remark in in_words(r.remarks)) for r in outcome.ranges)


def test_the_worst_point_is_of_the_worst_verdict_and_then_largest_against_its_limit(
    device: Device, bench: Bench, simple_bench: Bench
) -> None:
    """ILAC-G8:09/2019: with a guard band 0.65 % of 1 % fails by its U of some 1 %, and is worse than 0.72 % that passes."""
    steady, scattering = [50.36] * 4, [v * 20.13 / 20 for v in (19.8, 20.2, 19.8, 20.2)]
    points = [observed("x1", 50.0, steady), observed("x1", 20.0, scattering)]
    guarded, simple = _outcome(device, bench, points), _outcome(device, simple_bench, points)
    assert re.match(
        r"x1: conformity not demonstrated at 1 of 2 points, worst \(\+0\.[67] ± [12]\.\d\) % at 20 A",
        in_words(guarded.reasons)[0],
    )
    assert worst(guarded.ranges[0].points).nominal_current == 20.0
    assert worst(simple.ranges[0].points).nominal_current == 50.0
    steady, more = [50.65] * 4, [20 * 1.0125] * 4
    failed = _outcome(device, bench, [observed("x1", 50.0, steady), observed("x1", 20.0, more)])
    assert "does not meet the claim at 2 of 2 points, worst (+1.30 ± " in in_words(failed.reasons)[0]


@pytest.mark.parametrize("times", [9, 11])
def test_a_wrong_number_of_turns_fails_even_within_a_generous_claim(bench: Bench, times: int) -> None:
    """A claim of 20 % covers a turn too many; the range still is not what is described."""
    device = parse_device(DEVICE.replace('of_reading = "1 %"', 'of_reading = "20 %"'), "device.toml")
    outcome = _outcome(device, bench, sweep(device, lambda r, i: i * (times if r == "x10" else 1)))
    assert outcome.verdict == "fail"
    assert [r.verdict for r in outcome.ranges] == ["pass", "fail"]
    assert in_words(outcome.reasons) == (f"x10: reads as {times}.000 turns, described are 10",)


def test_points_left_out_fail_their_range(device: Device, bench: Bench) -> None:
    """A maximum test current that cuts a range short leaves its top unproven; the reason given is its."""
    points = [p for p in sweep(device, _right) if p.range == "x1" or p.nominal_current < 5]
    cut = ObservedRange(
        "x10", 4.0, "meter input", ("x10 up 10 A: 10 A is above the maximum test current of 4 A", "x10 down 5 A: y")
    )
    outcome = _outcome(device, bench, points, (cut,))
    assert [r.verdict for r in outcome.ranges] == ["pass", "fail"]
    assert in_words(outcome.reasons) == (
        "x10: not shown over its whole span: x10 up 10 A and 1 more left out, 10 A is above the maximum test current of 4 A",
    )
    assert outcome.ranges[1].ceiling_set_by == "meter input"


@pytest.mark.parametrize(("keep", "word"), [(lambda i: i < 90, "above"), (lambda i: i > 2, "below")])
def test_a_span_not_covered_fails(device: Device, bench: Bench, keep: Callable[[float], bool], word: str) -> None:
    """A claim from 1 A to 100 A is not shown by points that stop short of either end."""
    points = [p for p in sweep(device, _right) if p.range != "x1" or keep(p.nominal_current)]
    outcome = _outcome(device, bench, points)
    assert outcome.verdict == "fail"
    assert any(f"x1: not shown {word}" in r for r in in_words(outcome.reasons))


def test_the_current_that_flowed_counts_not_the_one_asked_for(device: Device, bench: Bench) -> None:
    """A load that gives 60 A when asked for 100 A has shown the range up to 60 A."""
    points = [p for p in sweep(device, _right) if p.nominal_current < 99]
    points.append(observed("x1", 60.0, [60.0] * 4, nominal=100.0))
    assert any("x1: not shown above 60 A" in r for r in in_words(_outcome(device, bench, points).reasons))


def test_an_end_never_asked_for_was_not_shown(device: Device, bench: Bench) -> None:
    """Asked for 96 A of 100 A: nearer than a load may miss, and still not what was claimed."""
    points = [p for p in sweep(device, _right) if p.nominal_current < 99]
    points.append(observed("x1", 96.0, [96.0] * 4))
    assert any("x1: not shown above 96 A" in r for r in in_words(_outcome(device, bench, points).reasons))


def test_an_end_brought_down_to_the_maximum_test_current_still_counts(device: Device, bench: Bench) -> None:
    """The runner may bring a point down by up to 2 %, and a load has an error of its own."""
    points = [p for p in sweep(device, _right) if p.nominal_current < 99]
    points.append(observed("x1", 97.5, [97.5] * 4, nominal=98.1))
    assert _outcome(device, bench, points).verdict == "pass"


def test_a_range_nobody_read_fails(device: Device, bench: Bench) -> None:
    """What was not measured is not verified."""
    outcome = _outcome(device, bench, [p for p in sweep(device, _right) if p.range == "x1"])
    assert outcome.verdict == "fail"
    assert in_words(outcome.reasons) == ("x10: no point was read",)
    assert outcome.ranges[1].effective_turns is None


def test_a_reference_without_current_shows_nothing(device: Device, bench: Bench) -> None:
    """A point at which the reference read nothing is no point, and not a division by zero."""
    points = sweep(device, _right)
    points.append(observed("x1", 50.0, [50.0] * 4, references=[0.0] * 4))
    outcome = _outcome(device, bench, points)
    assert in_words(outcome.reasons) == (
        "x1: the reference read no current at point x1 up 50 A, so nothing is shown there",
    )


def test_a_display_below_its_threshold_is_a_ratio_error_of_minus_one(device: Device, bench: Bench) -> None:
    """Nothing shown at a current that flows: all of it is missing."""
    outcome = _outcome(device, bench, sweep(device, lambda r, i: 0.0 if i < 1.5 and r == "x1" else _right(r, i)))
    lowest = min(outcome.ranges[0].points, key=lambda p: p.reference_current)
    assert lowest.ratio_error.value == -1.0
    assert lowest.ratio_error.verdict == "fail"


def test_a_zero_offset_is_a_remark_not_a_failure(device: Device, bench: Bench) -> None:
    """A reading at no current has no ratio error: it is told, and fails only through the points it spoils."""
    points = [*sweep(device, _right), observed("x1", 0.0, [0.025] * 4, direction="zero")]
    outcome = _outcome(device, bench, points)
    base = outcome.ranges[0]
    assert base.zero is not None
    assert base.zero.value == pytest.approx(0.025)
    assert base.zero.significant
    assert len(base.points) == 9
    assert any("with no current" in r for r in in_words(base.remarks))
    assert outcome.verdict == "pass"


def test_a_silent_zero_is_not_significant(device: Device, bench: Bench) -> None:
    """A display that shows nothing below 20 mA has not shown that nothing is there."""
    zero = observed("x1", 0.0, [0.0] * 4, direction="zero")
    found = _outcome(device, bench, [*sweep(device, _right), zero]).ranges[0].zero
    assert found is not None
    assert not found.significant
    assert found.expanded_uncertainty > 0.018


def test_single_pairs_are_told(device: Device, bench: Bench) -> None:
    """JCGM 100:2008, 4.2.2: one reading has no scatter, and the certificate must say that none was found."""
    outcome = _outcome(device, bench, sweep(device, _right, pairs=1))
    assert all(any("no type A" in r for r in in_words(result.remarks)) for result in outcome.ranges)
    assert all({remark.range for remark in result.remarks} == {result.name} for result in outcome.ranges)
    assert not any(
        "no type A" in r
        for result in _outcome(device, bench, sweep(device, _right)).ranges
        for r in in_words(result.remarks)
    )


def test_hysteresis_is_the_difference_of_the_ways_over_the_span(device: Device, bench: Bench) -> None:
    """IEC 61298-2 (value from memory): 0.5 A lower on the way down, of a span of 99 A."""
    points = [
        dataclasses.replace(p, pairs=tuple(q._replace(displayed=q.displayed - 0.5) for q in p.pairs))
        if p.range == "x1" and p.direction == "down" and 5 < p.nominal_current < 20
        else p
        for p in sweep(device, _right)
    ]
    found = _outcome(device, bench, points).ranges[0].linearity
    assert found is not None
    assert found.hysteresis == pytest.approx(0.5 / 99, rel=1e-3)


def test_a_class_is_judged_at_its_lowest_current_by_a_load_a_little_short(bench: Bench) -> None:
    """IEC 61869-2: class 1 allows 3 % at 5 % of the rated current; a load 1 % short of that is judged by it."""
    text = DEVICE.replace('of_reading = "1 %"\ncounts = 2', 'accuracy_class = "1"')
    text = text.replace('minimum_current = "1 A"', 'minimum_current = "5 A"').replace('100 mA"\nmax', '500 mA"\nmax')
    device = parse_device(text.replace('minimum_current = "100 mA"', 'minimum_current = "500 mA"'), "device.toml")
    points = [p for p in sweep(device, _right) if p.range != "x1" or p.nominal_current > 5.5]
    points.append(observed("x1", 4.95, [4.95] * 4, nominal=5.0))
    outcome = _outcome(device, bench, points)
    assert outcome.verdict == "pass", outcome.reasons
    assert min(outcome.ranges[0].points, key=lambda p: p.reference_current).ratio_error.limit == pytest.approx(0.03)


LIMITS = Path(__file__).parents[2] / "reference" / "iec61869_2_ct_limits.csv"


def _published() -> dict[str, list[tuple[float, float]]]:
    """Class -> (part of the rated current, limit), from the published table."""
    found: dict[str, list[tuple[float, float]]] = {}
    with LIMITS.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            found.setdefault(row["class"], []).append((float(row["pct_In"]) / 100, float(row["ratio_error_pct"]) / 100))
    return {name: sorted(rows) for name, rows in found.items()}


@pytest.mark.parametrize("name", ["0.1", "0.2", "0.5", "1", "0.2S", "0.5S", "3", "5"])
def test_a_class_sets_the_limit_of_every_point(bench: Bench, name: str) -> None:
    """IEC 61869-2:2012, tables 201 to 203, and halfway between two currents the mean of their limits.

    The straight line between them: common practice, no published source. A rated current is a range's maximum.
    """
    table = _published()[name]
    halfway = [((i + j) / 2, (a + b) / 2) for (i, a), (j, b) in itertools.pairwise(table)]
    # No range goes beyond its maximum, so 120 % and the half of the way to it are not reached.
    expected = dict(sorted(e for e in [*table, *halfway] if e[0] <= 1))
    text = DEVICE.replace('of_reading = "1 %"\ncounts = 2', f'accuracy_class = "{name}"')
    text = text.replace('"1 A"', f'"{table[0][0] * 100} A"').replace(
        '"100 mA"\nmaximum_current = "10 A"', '"9 A"\nmaximum_current = "10 A"'
    )
    device = parse_device(text, "device.toml")
    outcome = _outcome(device, bench, [observed("x1", 100 * part, [100 * part] * 4) for part in expected])
    assert [p.ratio_error.limit for p in outcome.ranges[0].points] == pytest.approx(list(expected.values()))


def test_the_same_points_give_the_same_results(device: Device, bench: Bench) -> None:
    """A certificate can be recomputed: nothing depends on chance or on what ran before."""
    points = sweep(device, lambda r, i: 1.002 * _right(r, i))
    assert _outcome(device, bench, points) == _outcome(
        parse_device(DEVICE, "device.toml"), parse_bench(BENCH, "bench.toml"), points
    )


def test_slow_imports_stay_out_until_needed() -> None:
    """Importing the evaluation must not load the slow libraries that only parts of it use."""
    code = "import sys, harness.evaluation.range_evaluation; print([m for m in ('pandas', 'scipy.stats', 'scipy.optimize') if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert found.stdout.strip() == "[]"


def test_a_mean_of_readings_needs_no_table_library(
    device: Device, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Loading one takes longer than the whole evaluation."""
    monkeypatch.setitem(sys.modules, "pandas", None)
    outcome = _outcome(device, bench, sweep(device, lambda r, i: 1.002 * _right(r, i)))
    assert outcome.ranges[0].linearity is not None


def test_the_risk_of_a_point_is_that_of_the_distribution_its_uncertainty_is_from(
    device: Device, simple_bench: Bench
) -> None:
    """Four scattered pairs have a t-distribution of three degrees of freedom (JCGM 100:2008, G.3), whose tails scipy knows: some 6 %,
    where a normal one would tell 0.3 %.
    """
    points = [observed("x1", 5.0, [4.97, 4.97, 5.03, 5.03], direction="single")]
    (point,) = _outcome(device, simple_bench, points).ranges[0].points
    assert point.ratio_error.verdict == "pass"
    assert point.ratio_error.limit is not None
    told = 2 * stats.t.sf(point.ratio_error.limit / (0.03 * (4 / 3) ** 0.5 / 4**0.5 / 5.0), 3)
    assert told > 0.05
    assert point.ratio_error.conformity.specific_risk == pytest.approx(told, rel=0.1)


def test_one_load_on_the_shelf_is_no_pass_of_a_range(device: Device) -> None:
    """ISO/IEC 17025:2017, 7.8.6.2: to which results a statement of conformity applies. Of a whole span it says nothing else."""
    shelf = 'profile = "person"\nshelf = [{ name = "kettle", current = "10 A" }]'
    bench = parse_bench(
        BENCH.replace('profile = "scpi_load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"', shelf), "bench.toml"
    )
    found = _outcome(device, bench, [observed("x1", 10.0, [10.0] * 4)]).ranges[0]
    assert found.verdict == "pass"
    assert verdict_text(found) == "pass at 10 A only"
    whole = _outcome(
        device, parse_bench(BENCH, "bench.toml"), sweep(device, lambda r, i: i * (10 if r == "x10" else 1))
    )
    assert [verdict_text(r) for r in whole.ranges] == ["pass", "pass"]
