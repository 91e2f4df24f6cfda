"""What a reading stands for, against worked numbers of the GUM and against meters whose current is known."""

import math
from dataclasses import replace
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.errors import UserError
from harness.results import REPEATABILITY, BudgetLine, Judged, Point, RangeResult, Results
from harness.verified_meter.corrected_current import corrected_current
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredReading
from tests.benchmarks.readings import held
from tests.reports import sample_results

T_OF_THREE = 3.18
"""JCGM 100:2008, table G.2: t for 3 degrees of freedom and p = 95 %."""
FINE = 1e-9
"""A step of the display that makes no difference."""


def _point(current: float, error: float, u: float, scatter: float = 0.0) -> Point:
    judged = Judged(error, u, 2 * u, 2.0, None, "t-distribution", None)
    line = BudgetLine(REPEATABILITY, "normal", scatter * current / 2, "A", 1 / current, scatter / 2, 3.0, False)
    return Point(f"{current}", "up", current, current, current * (1 + error), judged, 4, 1.0, (line,), None)


def _range(name: str, turns: int, points: tuple[Point, ...]) -> RangeResult:
    rng = sample_results.passing().ranges[0]
    low, high = points[0].nominal_current, points[-1].nominal_current
    return replace(
        rng, name=name, expected_turns=turns, display_factor=1 / turns, minimum_current=low, maximum_current=high,
        points=points, verdict="pass", stands_for=None,
    )  # fmt: skip


def _meter(*ranges: RangeResult) -> Results:
    results = sample_results.passing()
    return replace(
        results,
        ranges=ranges,
        device=replace(results.device, resolution=FINE),
        decision=replace(results.decision, coverage_probability=0.95),
    )


def _read(
    displayed: float, *errors: float, u: float = 0.001, step: float = FINE, drift: float = 0.0
) -> MeasuredReading:
    currents = [10.0**n for n in range(len(errors))]
    points = tuple(_point(c, e, u) for c, e in zip(currents, errors, strict=True))
    return corrected_current(_meter(_range("x2", 2, points)), "x2", [DisplayedValue(displayed, step)], drift)


def test_a_known_error_is_corrected_and_its_uncertainty_is_that_of_the_value() -> None:
    """y = x / (1 + e); a normal input alone has k = 1.96 (JCGM 100:2008, table G.1)."""
    found = _read(10.1, 0.01, 0.01)
    assert found.indicated == pytest.approx(5.05)
    assert found.corrected.value == pytest.approx(5.0)
    assert found.corrected.expanded_uncertainty == pytest.approx(1.960 * 0.001 * 5.0, rel=1e-3)


def test_left_uncorrected_the_correction_widens_the_interval() -> None:
    """JCGM 100:2008, F.2.4.5: where a known correction b is not applied, U = k u + b."""
    found = _read(10.1, 0.01, 0.01)
    value, expanded = found.uncorrected
    assert (value, expanded) == pytest.approx((5.05, found.corrected.expanded_uncertainty + 0.05))


def test_several_readings_have_the_t_factor_of_their_own_number() -> None:
    """JCGM 100:2008, 4.2.3 and table G.2: u = s / sqrt(n), here s = 0.02 A of four readings displayed; factor 1/2."""
    shown = [DisplayedValue(v, FINE) for v in (9.98, 9.98, 10.02, 10.02)]
    results = _meter(_range("x2", 2, (_point(1.0, 0.0, 1e-9), _point(10.0, 0.0, 1e-9))))
    found = corrected_current(results, "x2", shown, 0.0)
    s = math.sqrt(4 * 0.02**2 / 3)
    assert found.corrected.value == pytest.approx(5.0)
    assert found.corrected.expanded_uncertainty == pytest.approx(T_OF_THREE * s / math.sqrt(4) / 2, rel=2e-3)


def test_one_reading_scatters_as_one_did_in_the_verification() -> None:
    """The mean of four pairs scattered by 1 %: one reading by twice that, with the three degrees of freedom it was found from."""
    results = _meter(_range("x1", 1, (_point(1.0, 0.0, 1e-9, scatter=0.02), _point(10.0, 0.0, 1e-9, scatter=0.02))))
    found = corrected_current(results, "x1", [DisplayedValue(5.0, FINE)], 0.0)
    assert found.corrected.expanded_uncertainty == pytest.approx(T_OF_THREE * 0.02 * 5.0, rel=2e-3)


@pytest.mark.parametrize(("step", "drift"), [(0.1, 0.0), (FINE, 0.005)])
def test_a_last_digit_or_a_drift_alone_is_a_rectangle(step: float, drift: float) -> None:
    """95 % of a rectangle of half-width a lie within 0.95 a (elementary)."""
    found = _read(10.0, 0.0, 0.0, u=1e-9, step=step, drift=drift)
    assert found.corrected.expanded_uncertainty == pytest.approx(0.95 * (step / 4 + 5.0 * drift), rel=1e-3)


def test_between_two_points_the_error_follows_the_logarithm_of_the_current() -> None:
    """Halfway between 1 A and 10 A in the logarithm, sqrt(10) A, an error from 0 to 2 % is 1 %, and may bow by half their difference."""
    indicated = math.sqrt(10 * 1.02)
    found = _read(2 * indicated, 0.0, 0.02, u=1e-9)
    assert found.error == pytest.approx(0.01, rel=1e-6)
    assert found.corrected.standard_uncertainty == pytest.approx(found.corrected.value * 0.01 / math.sqrt(3), rel=1e-3)


def test_outside_what_was_verified_nothing_is_stated_and_the_range_for_it_is_named() -> None:
    small = _range("x20", 20, (_point(0.04, 0.0, 0.001), _point(4.0, 0.0, 0.001)))
    large = _range("x1", 1, (_point(0.8, 0.0, 0.001), _point(80.0, 0.0, 0.001)))
    results = _meter(large, small)
    for name, displayed, other in (
        ("x20", 200.0, "range x1 was verified there"),
        ("x1", 0.1, "range x20 was verified there"),
    ):
        with pytest.raises(UserError, match=f"no value is stated; {other}"):
            corrected_current(results, name, [DisplayedValue(displayed, FINE)], 0.0)
    with pytest.raises(UserError, match="no range was verified there"):
        corrected_current(results, "x20", [DisplayedValue(0.1, FINE)], 0.0)
    with pytest.raises(UserError, match="expected one of x1, x20"):
        corrected_current(results, "x3", [DisplayedValue(1.0, FINE)], 0.0)
    failed = _meter(replace(large, verdict="fail"), small)
    with pytest.raises(UserError, match=r"x1 was not verified as conforming.*range x20 was verified there"):
        corrected_current(failed, "x1", [DisplayedValue(2.0, FINE)], 0.0)


@given(
    displayed=st.floats(2.5, 19.0),
    errors=st.tuples(st.floats(-0.03, 0.03), st.floats(-0.03, 0.03)),
    u=st.floats(1e-6, 0.01),
    step=st.floats(1e-6, 0.2),
    drift=st.floats(0.0, 0.02),
)
def test_whatever_is_read_the_value_times_its_error_is_what_was_shown_and_no_part_is_lost(
    displayed: float, errors: tuple[float, float], u: float, step: float, drift: float
) -> None:
    found = _read(displayed, *errors, u=u, step=step, drift=drift)
    assert found.corrected.value * (1 + found.error) == pytest.approx(displayed / 2)
    assert min(errors) - 1e-12 <= found.error <= max(errors) + 1e-12
    normal = NormalDist().inv_cdf(0.975)
    assert found.corrected.expanded_uncertainty >= normal * u * found.corrected.value * (1 - 1e-9)
    assert found.corrected.standard_uncertainty >= step / 4 / math.sqrt(3)


def test_the_interval_holds_the_current_as_often_as_it_says() -> None:
    """Meters of the simulated bench whose current is known; `tests/benchmarks/README.md` has many more."""
    outcomes = [one for seed in (101, 102, 103) for one in held(seed, 10)]
    for corrected in (True, False):
        assert sum(one[0 if corrected else 1] for one in outcomes) >= 0.95 * len(outcomes)


def test_a_reading_typed_several_times_is_no_better_known_than_once() -> None:
    """One reading scattered by 2 % in the verification; equal readings have a type A uncertainty of 0, others their own where it is larger."""
    results = _meter(_range("x1", 1, (_point(1.0, 0.0, 1e-9, scatter=0.02), _point(10.0, 0.0, 1e-9, scatter=0.02))))
    once = corrected_current(results, "x1", [DisplayedValue(2.4, 0.001)], 0.0).corrected
    for times in (2, 5, 100):
        again = corrected_current(results, "x1", [DisplayedValue(2.4, 0.001)] * times, 0.0).corrected
        assert again.expanded_uncertainty >= once.expanded_uncertainty
    apart = corrected_current(results, "x1", [DisplayedValue(2.0, 0.001), DisplayedValue(2.8, 0.001)] * 2, 0.0)
    # s = 0.4619 A of four, over 2 (JCGM 100:2008, 4.2.3).
    assert apart.corrected.standard_uncertainty == pytest.approx(0.4619 / 2, rel=1e-3)
