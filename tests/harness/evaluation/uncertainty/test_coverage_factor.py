"""The coverage factor: t-distribution, rectangles and what is between them, against printed tables and quadrature."""

import csv
import functools
import itertools
import math
import time
from pathlib import Path

import numpy as np
import pytest
import scipy.special
from hypothesis import given
from hypothesis import strategies as st

from harness.evaluation.uncertainty.convolution import Bell, summed
from harness.evaluation.uncertainty.coverage_factor import CONVOLUTION, coverage_factor, t_factor
from harness.evaluation.uncertainty.gum_formulas import (
    Contribution,
    combined,
    effective_degrees_of_freedom,
    rectangular,
)

REFERENCE = Path(__file__).parents[3] / "reference"


@pytest.mark.parametrize(("column", "probability"), [("p95", 0.95), ("p95.45", 0.9545), ("p99", 0.99)])
@pytest.mark.parametrize("unit", [1.0, 0.3, 0.11, 1e-3])
def test_repeated_readings_alone(column: str, probability: float, unit: float) -> None:
    """JCGM 100:2008, table G.2: with nothing beside a type A part, the factor is that of its own degrees of freedom.

    Truncating must not take one away that only rounding has made incomplete.
    """
    with (REFERENCE / "gum_table_G2_t_factors.csv").open(encoding="utf-8") as file:
        printed = {row["dof"]: float(row[column]) for row in csv.DictReader(file)}
    for freedom in range(1, 21):
        found = coverage_factor([Contribution(unit, degrees_of_freedom=freedom)], probability)
        assert found.factor == pytest.approx(printed[str(freedom)], abs=0.0051)


@pytest.mark.parametrize(("probability", "printed"), [(0.5774, 1.0), (0.95, 1.65), (0.99, 1.71)])
def test_rectangle_alone(probability: float, printed: float) -> None:
    """JCGM 100:2008, table G.1 (rectangular column): k = 1, 1.65, 1.71 for 57.74, 95, 99 %."""
    found = coverage_factor([Contribution(rectangular(1.0), "rectangular")], probability)
    assert found.factor == pytest.approx(printed, abs=0.0051)
    assert found.method == CONVOLUTION


def test_rectangle_alone_exactly() -> None:
    """A rectangle of half-width sqrt 3 standard deviations holds 95 % within 0.95 of it: k = 1.645448 (elementary)."""
    assert coverage_factor([Contribution(7e-4, "rectangular")], 0.95).factor == pytest.approx(1.645448, abs=5e-7)


def test_three_equal_rectangles() -> None:
    """JCGM 100:2008, G.2.2: the convolution of three equal rectangles has k95 = 1.937 and k99 = 2.379."""
    parts = [Contribution(0.2, "rectangular")] * 3
    for probability, printed in ((0.95, 1.937), (0.99, 2.379)):
        assert coverage_factor(parts, probability).factor == pytest.approx(printed, abs=5.1e-4)


def test_four_equal_rectangles() -> None:
    """JCGM 101:2008, 9.2.3 and table 3: +-3.88, in closed form 2 sqrt 3 (2 - (3/5)^(1/4)) = 3.8794067; a normal would say 3.92."""
    parts = [Contribution(1.0, "rectangular")] * 4
    assert coverage_factor(parts, 0.95).factor * combined(parts) == pytest.approx(3.8794067, abs=1e-6)


def test_one_rectangle_ten_times_the_others() -> None:
    """JCGM 101:2008, 9.2.4 and table 4: three rectangles of deviation 1 and one of 10: +-17.0, not the +-19.9 of k = 1.96."""
    parts = [Contribution(1.0, "rectangular")] * 3 + [Contribution(10.0, "rectangular")]
    assert coverage_factor(parts, 0.95).factor * combined(parts) == pytest.approx(17.0, abs=0.05)


@pytest.mark.parametrize(("wide", "narrow"), [(1.0, 0.0), (1.0, 0.22), (29.0, 15.0), (1.0, 0.8), (1.0, 1.0)])
def test_two_rectangles_make_a_trapezium(wide: float, narrow: float) -> None:
    """EA-4/02 M, S10.13 (value from memory): with beta = |a1-a2|/(a1+a2), k = (1 - sqrt((1-p)(1-beta^2))) / sqrt((1+beta^2)/6).

    Valid while beta <= p/(2-p); beyond, the interval ends on the flat top (elementary).
    """
    p = 0.95
    beta = (wide - narrow) / (wide + narrow)
    edge = 1 - math.sqrt((1 - p) * (1 - beta**2)) if beta <= p / (2 - p) else p * (1 + beta) / 2
    parts = [Contribution(wide, "rectangular"), Contribution(narrow, "rectangular")]
    assert coverage_factor(parts, p).factor == pytest.approx(edge / math.sqrt((1 + beta**2) / 6), abs=1e-6)


def test_hand_held_multimeter() -> None:
    """EA-4/02 M, S9 (value from memory): calibrator 2 mV (k = 2) and +-11 mV, display +-50 mV: U = 0.05 V at 95 %.

    The document rounds k to the rectangle's own 1.65. The convolution of all three parts, found by Monte Carlo with
    4e6 trials, has k = 1.709 and U = 0.0505 V.
    """
    parts = [
        Contribution(0.001),
        Contribution(rectangular(0.05), "rectangular"),
        Contribution(rectangular(0.011), "rectangular"),
    ]
    found = coverage_factor(parts, 0.95)
    assert combined(parts) == pytest.approx(0.0295748, abs=5e-8)
    assert found.factor == pytest.approx(1.709, abs=1e-3)
    assert round(found.factor * combined(parts), 2) == 0.05


def test_vernier_caliper() -> None:
    """EA-4/02 M, S10 (value from memory): bounds of 50 and 25 um beside 2.0 and 0.46 um: u 33 um, k = 1.83, U = 0.06 mm."""
    parts = [Contribution(u, "rectangular") for u in (rectangular(50.0), rectangular(25.0), 1.15 * 1.7, 0.46)]
    found = coverage_factor(parts, 0.95)
    assert combined(parts) == pytest.approx(33, abs=0.7)
    assert found.factor == pytest.approx(1.83, abs=0.0051)
    assert round(found.factor * combined(parts), -1) == 60


@pytest.mark.parametrize("probability", [0.95, 0.9545, 0.99])
@pytest.mark.parametrize("freedom", [1.0, 2.0, 3.0, 11.0, 90.0, 120.0, math.inf])
@pytest.mark.parametrize("scale", [0.01, 0.3, 2.0])
def test_two_rectangles_and_a_bell_by_quadrature(scale: float, freedom: float, probability: float) -> None:
    """The probability in the interval, integrated over both rectangles (Gauss-Legendre, numpy; stdtr of scipy), is what was asked."""
    width = summed([1.0, 0.3], 0.0, [Bell(scale, freedom)], probability).half_width(probability)
    nodes, weights = np.polynomial.legendre.leggauss(300)
    shift = nodes[:, None] + 0.3 * nodes[None, :]
    below = scipy.special.ndtr if math.isinf(freedom) else functools.partial(scipy.special.stdtr, freedom)
    inside = below((width - shift) / scale) - below((-width - shift) / scale)
    found = float((inside * weights[:, None] * weights[None, :]).sum() / 4)
    # 1e-4 of probability is half a thousandth of k. A normal stands for the t-distribution beyond 100 degrees of freedom.
    assert found == pytest.approx(probability, abs=3e-4 if freedom == 120 else 5e-5)


@pytest.mark.parametrize("freedom", [1.0, 3.0, 20.0])
@pytest.mark.parametrize(("deviation", "scale"), [(0.5, 0.5), (0.1, 1.0), (2.0, 1.5)])
def test_rectangle_normal_and_t_by_quadrature(deviation: float, scale: float, freedom: float) -> None:
    """The same with a normal part beside the t-distribution, integrated over the normal by Gauss-Hermite (numpy)."""
    width = summed([1.0], deviation, [Bell(scale, freedom)], 0.9545).half_width(0.9545)
    flat, flat_weights = np.polynomial.legendre.leggauss(200)
    bell, bell_weights = np.polynomial.hermite_e.hermegauss(80)
    shift = flat[:, None] + deviation * bell[None, :]
    t = functools.partial(scipy.special.stdtr, freedom)
    inside = t((width - shift) / scale) - t((-width - shift) / scale)
    found = float((inside * flat_weights[:, None] * bell_weights[None, :]).sum() / 2 / bell_weights.sum())
    assert found == pytest.approx(0.9545, abs=5e-5)


@pytest.mark.parametrize("freedoms", [(3.0, 3.0), (3.0, 12.0), (5.0, 40.0)])
@pytest.mark.parametrize("scale", [0.3, 1.0, 4.0])
def test_two_t_distributions_are_not_one(scale: float, freedoms: tuple[float, float]) -> None:
    """Two bells and a rectangle, the second bell and the rectangle integrated over (Gauss-Legendre, numpy; the bell through its quantiles).

    Behrens and Fisher's problem: the sum of two t-distributions is no t-distribution of the effective degrees of freedom.
    """
    width = summed([1.0], 0.0, [Bell(1.0, freedoms[0]), Bell(scale, freedoms[1])], 0.95).half_width(0.95)
    nodes, weights = np.polynomial.legendre.leggauss(400)
    flat, flat_weights = np.polynomial.legendre.leggauss(60)
    second = scale * scipy.special.stdtrit(freedoms[1], (1 + nodes) / 2)
    shift = second[:, None] + flat[None, :]
    t = functools.partial(scipy.special.stdtr, freedoms[0])
    inside = t(width - shift) - t(-width - shift)
    found = float((inside * weights[:, None] * flat_weights[None, :]).sum() / 4)
    assert found == pytest.approx(0.95, abs=5e-5)


@pytest.mark.parametrize(("count", "freedom", "probability"), [(16, 100.0, 0.95), (16, 50.0, 0.9545), (40, 30.0, 0.99)])
def test_many_t_distributions_are_nearly_normal(count: int, freedom: float, probability: float) -> None:
    """Central limit theorem: so many have the quantiles of a normal of their variance nu / (nu - 2) (elementary)."""
    bells = [Bell(1 / math.sqrt(count), freedom)] * count
    expected = t_factor(math.inf, probability) * math.sqrt(freedom / (freedom - 2))
    assert summed([1e-3], 0.0, bells, probability).half_width(probability) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("freedom", [3.0, 60.0, 90.0])
def test_a_part_of_no_size_changes_nothing(freedom: float) -> None:
    """JCGM 100:2008, 5.1.2: it adds nothing to u; that its own characteristic function is near an overflow must not matter."""
    parts = [Contribution(1e-3, "rectangular"), Contribution(1.0, degrees_of_freedom=5)]
    for size in (1e-9, 1e-7, 1e-5):
        found = coverage_factor([*parts, Contribution(size, degrees_of_freedom=freedom)], 0.95).factor
        assert found == pytest.approx(coverage_factor(parts, 0.95).factor, rel=1e-6)
        assert found == pytest.approx(2.571, abs=1e-3)  # table G.2


@pytest.mark.parametrize("freedom", [2.05, 3.0])
@pytest.mark.parametrize("probability", [0.95, 0.9973])
def test_factor_does_not_jump_where_small_parts_are_put_together(probability: float, freedom: float) -> None:
    """Two parts of few degrees of freedom, from below to above what is nothing beside the whole."""
    sizes = np.geomspace(1e-3, 1e-2, 60)
    factors = [
        coverage_factor(
            [Contribution(1.0, "rectangular"), *[Contribution(u, degrees_of_freedom=freedom)] * 2], probability
        ).factor
        for u in sizes
    ]
    assert max(abs(b / a - 1) for a, b in itertools.pairwise(factors)) < 2e-3


def test_behrens_and_fisher() -> None:
    """Fisher and Yates, table VI (value from memory): equal uncertainties of 6 and 6 degrees of freedom, 5 %: 2.435; Welch says 2.18."""
    parts = [Contribution(1.0, degrees_of_freedom=6)] * 2 + [Contribution(1e-4, "rectangular")]
    assert coverage_factor(parts, 0.95).factor == pytest.approx(2.435, abs=1.1e-3)


def test_two_readings_beside_a_large_bound_do_not_swamp_it() -> None:
    """JCGM 100:2008, G.4.1: with 1 degree of freedom behind a fifth of the uncertainty, nu_eff = 1.04^2 / (0.2^4 / 1) = 676 and
    k is nearly that of the bound; t(1) = 13.97 laid over it would make it nearly 3."""
    parts = [Contribution(1.0, "rectangular"), Contribution(0.2, degrees_of_freedom=1)]
    assert effective_degrees_of_freedom(parts) == pytest.approx(1.04**2 / 0.2**4)
    found = coverage_factor(parts, 0.9545).factor
    alone = coverage_factor([Contribution(1.0, "rectangular")], 0.9545).factor
    assert alone < found < 1.1 * alone


@pytest.mark.parametrize("freedom", [2.05, 2.6, 3.9])
def test_broken_degrees_of_freedom_are_not_truncated(freedom: float) -> None:
    """JCGM 100:2008, G.4.1, note 1, leaves the choice; JCGM 101 draws them as they are. By draws (numpy, seeded), small parts beside.

    Truncated, 2.05 would have no t-distribution at all and k would be a quarter smaller.
    """
    parts = [Contribution(1.0, "rectangular")] + [
        Contribution(u, degrees_of_freedom=freedom) for u in (1.0, 7e-4, 1e-3)
    ]
    draw = np.random.default_rng(205)
    drawn = math.sqrt(3) * draw.uniform(-1, 1, 400_000)
    for part in parts[1:]:
        drawn += part.standard_uncertainty * draw.standard_t(freedom, 400_000)
    expected = float(np.quantile(np.abs(drawn), 0.95))
    assert coverage_factor(parts, 0.95).factor * combined(parts) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("freedom", [3.0, 12.0, math.inf])
def test_factor_does_not_jump_where_a_rectangle_begins_to_dominate(freedom: float) -> None:
    """A factor that jumps would give two points alike to a per mille different verdicts (JCGM 101:2008, 5.10: one distribution)."""
    rests = np.geomspace(1e-3, 1e3, 301)
    factors = [
        coverage_factor([Contribution(1.0, "rectangular"), Contribution(rest, degrees_of_freedom=freedom)], 0.95).factor
        for rest in rests
    ]
    assert max(abs(a / b - 1) for a, b in itertools.pairwise(factors)) < 0.02
    # Far out it is the rectangle's, and the t-distribution's (tables G.1 and G.2).
    assert factors[0] == pytest.approx(1.645, abs=1e-3)
    assert factors[-1] == pytest.approx({3.0: 3.18, 12.0: 2.18}.get(freedom, 1.96), abs=0.006)


def test_the_convolution_is_quick() -> None:
    """42 points of a run in less than 0.3 s: a record is evaluated while somebody waits."""
    parts = [Contribution(u, "rectangular") for u in (0.6, 0.1, 0.05, 0.01)] + [
        Contribution(0.03, degrees_of_freedom=3)
    ]
    began = time.process_time()
    for _ in range(42):
        coverage_factor(parts, 0.9545)
    assert time.process_time() - began < 0.3


MIXED = st.lists(
    st.builds(
        Contribution,
        st.floats(1e-6, 10),
        st.sampled_from(["normal", "rectangular"]),
        st.one_of(st.just(math.inf), st.integers(1, 50).map(float)),
    ),
    min_size=1,
    max_size=6,
)


@given(MIXED, st.floats(0.5, 0.999), st.floats(0.5, 0.999))
def test_more_certainty_takes_a_wider_interval(parts: list[Contribution], one: float, other: float) -> None:
    """A coverage factor rises with the probability it is for, whatever the budget."""
    low, high = sorted((one, other))
    assert coverage_factor(parts, low).factor <= coverage_factor(parts, high).factor + 1e-12


@given(MIXED, st.sampled_from([0.95, 0.9545, 0.99]))
def test_factor_lies_between_rectangle_and_t(parts: list[Contribution], probability: float) -> None:
    """No mixture with one t-distribution is more peaked than it, and none is flatter than a rectangle (JCGM 100:2008, table G.1).

    Two t-distributions of three degrees of freedom have a larger k together than one alone. A little normal noise widens u faster
    than the interval, so k first falls by up to 0.2 % below the rectangle's.
    """
    freedoms = [p.degrees_of_freedom for p in parts]
    factor = coverage_factor(parts, probability).factor
    assert probability * math.sqrt(3) * 0.998 <= factor
    if sum(map(math.isfinite, freedoms)) <= 1:
        assert factor <= t_factor(min(freedoms), probability) * (1 + 1e-5)


@given(
    st.lists(st.floats(1e-3, 3.0), min_size=1, max_size=4),
    st.floats(0, 3.0),
    st.lists(st.builds(Bell, st.floats(0, 3.0), st.floats(2.001, 200)), max_size=3),
    st.floats(0.5, 0.9999),
)
def test_the_interval_is_where_the_probability_is(
    half_widths: list[float], deviation: float, bells: list[Bell], probability: float
) -> None:
    """Newton's steps end where the plain way ends, which halves an interval."""
    found = summed(half_widths, deviation, bells, probability)
    low, high = 0.0, found.length
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if found.inside(middle) < probability else (low, middle)
    assert found.half_width(probability) == pytest.approx(high, rel=1e-9)


@given(st.floats(0.01, 0.299), st.floats(1e-9, 1e9))
def test_factor_does_not_depend_on_the_unit(rest: float, unit: float) -> None:
    """A coverage factor is a pure number."""
    parts = [Contribution(1.0, "rectangular"), Contribution(rest)]
    scaled = [Contribution(p.standard_uncertainty * unit, p.distribution) for p in parts]
    assert coverage_factor(scaled, 0.95).factor == pytest.approx(coverage_factor(parts, 0.95).factor, rel=1e-9)
