"""Scatter pooled over points, and readings that follow one another, against certified values and simulated series."""

import dataclasses
import math
from collections.abc import Iterator

import numpy as np
import pytest
import scipy.stats

from harness.evaluation.range_evaluation import evaluate_ranges
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.autocorrelation import CLOSEST
from harness.evaluation.uncertainty.repeatability import (
    Pooled,
    largest_variance_is_chance,
    run_scatter,
    standard_uncertainty,
)
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.observations import ObservedPoint
from tests.harness.evaluation.conftest import RUN_DATE, observed
from tests.in_words import in_words


def _series(draw: np.random.Generator, count: int, correlation: float) -> np.ndarray:
    """Readings of variance 1, each following the one before (autoregressive, numpy)."""
    noise = draw.standard_normal(count)
    values = np.empty(count)
    values[0] = noise[0]
    for i in range(1, count):
        values[i] = correlation * values[i - 1] + math.sqrt(1 - correlation**2) * noise[i]
    return values


@pytest.mark.parametrize(("count", "correlation"), [(4, 0.5), (10, 0.7), (50, 0.3)])
def test_corrected_uncertainty_is_the_scatter_of_means(count: int, correlation: float) -> None:
    """20,000 means of simulated series scatter as the corrected variance says on the average (numpy, seeded)."""
    draw = np.random.default_rng(535)
    series = np.array([_series(draw, count, correlation) for _ in range(20_000)])
    deviation = float(np.sqrt(series.var(axis=1, ddof=1).mean()))
    assert standard_uncertainty(deviation, count, correlation) == pytest.approx(series.mean(axis=1).std(), rel=0.02)
    assert standard_uncertainty(deviation, count, 0.0) < 0.85 * series.mean(axis=1).std()


@pytest.mark.parametrize(
    ("points", "freedom", "critical"), [(5, 2, 0.684), (10, 2, 0.445), (10, 3, 0.373), (12, 3, 0.326)]
)
def test_cochran_as_tabulated(points: int, freedom: int, critical: float) -> None:
    """ISO 5725-2, critical values of Cochran's test at 5 % (values from memory), to half a unit of the last digit."""
    rest = (1 - critical) / (points - 1)
    chance = largest_variance_is_chance([critical] + [rest] * (points - 1), [freedom] * points)
    assert chance == pytest.approx(0.05, abs=0.0015)


def test_equal_scatter_is_rejected_in_one_case_of_twenty() -> None:
    """The bound is nearly the probability itself: of equal variances it rejects 5 % (numpy, seeded)."""
    draw = np.random.default_rng(5725)
    variances = draw.chisquare(3, (4000, 13)) / 3
    rejected = np.mean([largest_variance_is_chance(v, [3] * 13) < 0.05 for v in variances.tolist()])
    assert 0.037 < rejected < 0.06


def test_two_variances_of_unequal_degrees_of_freedom_are_an_f_test() -> None:
    """The larger of two against the other, twice (ISO 5725-2, Cochran's test of two; scipy's F-distribution)."""
    expected = 2 * scipy.stats.f.sf(4.0, 3, 9)
    assert largest_variance_is_chance([4.0, 1.0], [3, 9]) == pytest.approx(expected)
    assert largest_variance_is_chance([1.0, 4.0], [9, 3]) == pytest.approx(expected)
    assert largest_variance_is_chance([1.0, 0.0], [3, 3]) == 0.0
    assert largest_variance_is_chance([0.0, 0.0], [3, 3]) == largest_variance_is_chance([1.0], [3]) == 1.0


CURRENTS = (1.5, 3.0, 6.0, 12.0, 25.0, 50.0, 90.0)


def _points(draw: np.random.Generator, deviation: dict[float, float], pairs: int = 4) -> list[ObservedPoint]:
    return [observed("x1", c, (c + deviation[c] * draw.standard_normal(pairs)).tolist()) for c in CURRENTS]


@pytest.fixture
def pooling(bench: Bench) -> Bench:
    return bench.model_copy(update={"evaluation": bench.evaluation.model_copy(update={"pooled_repeatability": True})})


def _repeatability(device: Device, bench: Bench, points: list[ObservedPoint]) -> Iterator[tuple[float, float | None]]:
    for point in evaluate_ranges(device, bench, points, [], RUN_DATE).ranges[0].points:
        line = next(b for b in point.budget if b.source == "repeatability")
        yield line.standard_uncertainty * (point.nominal_current if line.unit == "1" else 1), line.degrees_of_freedom


def test_pooled_scatter_in_amperes(device: Device, pooling: Bench) -> None:
    """Equal scatter in amperes: the root mean square of all s (JCGM 100:2008, 4.2.4: pooled variance), 7 x 3 degrees of freedom."""
    points = _points(np.random.default_rng(3), dict.fromkeys(CURRENTS, 0.01))
    deviations = [scipy.stats.tstd([p.displayed for p in point.pairs]) for point in points]
    expected = float(np.sqrt(np.mean(np.square(deviations)))) / 2
    for uncertainty, freedom in _repeatability(device, pooling, points):
        assert uncertainty == pytest.approx(expected, rel=1e-9)
        assert freedom == 21
    remarks = in_words(evaluate_ranges(device, pooling, points, [], RUN_DATE).ranges[0].remarks)
    assert any("pooled over 7 points, 21 degrees of freedom" in r and "in amperes" in r for r in remarks)


def test_pooled_scatter_relative_to_the_current(device: Device, pooling: Bench) -> None:
    """Scatter of 0.1 % at every current is alike only relative to it."""
    points = _points(np.random.default_rng(8), {c: 1e-3 * c for c in CURRENTS})
    found = list(_repeatability(device, pooling, points))
    shares = [uncertainty / c for (uncertainty, _), c in zip(found, CURRENTS, strict=True)]
    assert max(shares) / min(shares) == pytest.approx(1, rel=0.01)
    assert shares[0] == pytest.approx(1e-3 / 2, rel=0.4)
    assert {freedom for _, freedom in found} == {21}


def test_readings_that_do_not_scatter_are_alike_either_way(device: Device, pooling: Bench) -> None:
    """No scatter is the same in amperes and relative to the current: it is told in amperes."""
    points = [observed("x1", c, [c] * 4) for c in CURRENTS]
    assert run_scatter(device, pooling, points)["x1"].pooled == Pooled(0.0, 21, False)


def test_unequal_scatter_is_not_pooled_and_the_certificate_says_so(device: Device, pooling: Bench) -> None:
    """One point in the middle scatters ten times as much: each keeps its own 3 degrees of freedom."""
    deviation = {c: 0.002 * math.sqrt(c) * (10 if c == 12.0 else 1) for c in CURRENTS}
    points = _points(np.random.default_rng(4), deviation)
    assert {freedom for _, freedom in _repeatability(device, pooling, points)} == {3}
    remarks = in_words(evaluate_ranges(device, pooling, points, [], RUN_DATE).ranges[0].remarks)
    assert any("not pooled" in r for r in remarks)


def test_nothing_is_pooled_unasked(device: Device, bench: Bench) -> None:
    points = _points(np.random.default_rng(3), dict.fromkeys(CURRENTS, 0.01))
    assert {freedom for _, freedom in _repeatability(device, bench, points)} == {3}
    assert not evaluate_ranges(device, bench, points, [], RUN_DATE).ranges[0].remarks


def test_a_point_of_one_pair_takes_part_of_what_the_others_know(device: Device, pooling: Bench) -> None:
    """JCGM 100:2008, 4.2.4: the mean of n readings has the pooled variance over n, a single reading the whole of it."""
    points = _points(np.random.default_rng(5), dict.fromkeys(CURRENTS, 0.01))
    points[2] = dataclasses.replace(points[2], pairs=points[2].pairs[:1])
    found = list(_repeatability(device, pooling, points))
    assert found[2][0] == pytest.approx(2 * found[0][0], rel=1e-9)
    assert found[2][1] == found[0][1] == 18


def test_readings_that_follow_widen_the_point_and_are_remarked(device: Device, bench: Bench) -> None:
    """Every value shown twice, as when a display is read faster than it changes: half the readings say nothing new."""
    draw = np.random.default_rng(6)
    points = [observed("x1", c, np.repeat(c + 0.01 * draw.standard_normal(6), 2).tolist()) for c in CURRENTS]
    scatter = run_scatter(device, bench, points)["x1"]
    assert 0.3 < scatter.correlation < 0.9
    assert "follow one another" in in_words(scatter.remarks)[0]
    plain = point_values(device, InputQuantities(bench, RUN_DATE), points[0])
    result = evaluate_ranges(device, bench, points, [], RUN_DATE).ranges[0]
    widened = next(b for b in result.points[0].budget if b.source == "repeatability")
    assert plain.model is not None
    assert widened.standard_uncertainty > 1.3 * plain.model.repeatability.std_dev
    assert widened.degrees_of_freedom is not None
    assert widened.degrees_of_freedom < 11
    assert any("follow one another" in r for r in in_words(result.remarks))


def test_readings_that_hardly_change_follow_as_closely_as_is_ever_told(device: Device, bench: Bench) -> None:
    """Every value shown twenty times: the correlation is told as `at least`, others as they are."""
    draw = np.random.default_rng(7)
    for times, told in ((20, {"at_least": CLOSEST}), (2, {})):
        shown = [np.repeat(c + 0.01 * draw.standard_normal(40 // times), times).tolist() for c in CURRENTS]
        points = [observed("x1", c, values) for c, values in zip(CURRENTS, shown, strict=True)]
        (remark,) = run_scatter(device, bench, points)["x1"].remarks
        assert {key: value for key, value in remark.values.items() if key == "at_least"} == told
        assert ("correlation" in remark.values) is not bool(told)


def test_what_the_arithmetic_rounds_does_not_follow(device: Device, bench: Bench) -> None:
    """Pairs without scatter leave rounding in the fifteenth digit, which may well have a pattern."""
    points = [observed("x1", c, [c * 1.003] * 4, references=[c / 20] * 4) for c in CURRENTS]
    assert run_scatter(device, bench, points)["x1"].correlation == 0
