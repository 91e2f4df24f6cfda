"""Risks of verdicts against the worked examples of JCGM 106:2012 and tables of measurement decision risk."""

import csv
import math
from collections.abc import Sequence
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from harness.evaluation.conformity.risk import (
    PriorDistribution,
    conformance_probability,
    consumer_risk_limit,
    false_accept_limit,
    global_risk,
)
from harness.evaluation.uncertainty.convolution import Bell, summed
from harness.evaluation.uncertainty.coverage_factor import coverage_factor
from harness.evaluation.uncertainty.distributions import TDistribution
from harness.evaluation.uncertainty.gum_formulas import Contribution

TABLE = Path(__file__).parents[3] / "reference" / "pfa_pfr_joint_normal.csv"
FREE = math.inf


@pytest.mark.parametrize(
    ("value", "uncertainty", "lower", "upper", "printed", "exact"),
    [
        (-5.47, 0.05, -FREE, -5.40, 0.92, 0.919243),
        (509.7, 8.6, 490, FREE, 0.99, 0.989010),
        (13.6, 1.8, 12.5, 16.3, 0.66, 0.662630),
        (1500, 0.12, 1499.8, 1500.2, 0.90, 0.904419),
    ],
)
def test_conformance_probability(
    value: float, uncertainty: float, lower: float, upper: float, printed: float, exact: float
) -> None:
    """JCGM 106:2012, 7.3.3 examples 1 (Zener diode) and 2 (container), 7.4 (oil), 9.5.3.2 (resistors before measurement)."""
    found = conformance_probability(value, uncertainty, lower, upper)
    assert found == pytest.approx(printed, abs=0.005)
    assert found == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize(("z", "probability"), [(0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)])
def test_one_sided_conformance(z: float, probability: float) -> None:
    """JCGM 106:2012, table 1: z is printed to two decimals."""
    assert conformance_probability(-z, 1.0, -FREE, 0.0) == pytest.approx(probability, abs=0.0016)


@pytest.mark.parametrize(
    ("factor", "below"), [(3.0, 1e-6), (1.5, 0.0016), (1.0, 0.025), (0.83, 0.05), (0.0, 0.500001), (-1.0, 0.98)]
)
def test_specific_risk_at_the_limits_of_the_guard_bands(factor: float, below: float) -> None:
    """ILAC-G8:09/2019, table of guard bands w = r U with U = 2 u (value from memory); exactly Phi(-2 r)."""
    risk = 1 - conformance_probability(1 - factor * 0.2, 0.1, -FREE, 1.0)
    assert risk < below
    assert risk == pytest.approx(NormalDist().cdf(-2 * factor), rel=1e-6)


def test_acceptance_limit_for_a_wanted_false_accept() -> None:
    """JCGM 106:2012, 8.3.2.3: w = U = 2 u leaves 2.3 %; 8.3.3 example 2: t(0.95; 9) = 1.83 and a guard band of 0.37 at u = 0.2."""
    assert 1.0 - false_accept_limit(1.0, 0.01, 0.02275013) == pytest.approx(0.02, abs=1e-7)
    band = 20.0 - false_accept_limit(20.0, 0.2, 0.05, TDistribution(9))
    assert band == pytest.approx(0.37, abs=0.005)
    assert band == pytest.approx(0.36662, abs=1e-5)


def test_both_limits_count_where_the_uncertainty_is_large() -> None:
    """At an error of zero half of the probability allowed lies beyond each limit: z(0.975) = 1.959964."""
    assert false_accept_limit(1.959964, 1.0, 0.05) == pytest.approx(0.0, abs=2e-3)
    assert false_accept_limit(1.9, 1.0, 0.05) == pytest.approx(-0.059964, abs=1e-6)


def test_the_resistors() -> None:
    """JCGM 106:2012, 9.5.3.2: RC = 1 %, RP = 7 %, with T = 0.2, A = 0.18, u0 = 0.12 and um = 0.04 ohm."""
    risk = global_risk(0.2, 0.18, 0.04, PriorDistribution(0.0, 0.12))
    assert (risk.consumer, risk.producer) == pytest.approx((0.00987829, 0.06902651), abs=1e-7)
    assert (round(risk.consumer, 2), round(risk.producer, 2)) == (0.01, 0.07)
    # The guard band of the example is the one that keeps its consumer's risk.
    assert consumer_risk_limit(0.2, 0.04, PriorDistribution(0.0, 0.12), 0.00987829) == pytest.approx(0.18, abs=1e-6)


@pytest.mark.parametrize(
    ("capability", "consumer", "producer"),
    [(2, 0.0982, 1.4677), (4, 0.0737, 0.3007), (6, 0.0583, 0.1493), (8, 0.0481, 0.0973), (10, 0.0408, 0.0717)],
)
def test_a_capable_process(capability: float, consumer: float, producer: float) -> None:
    """JCGM 106:2012, 9.5.6: u0 = T/6, Cm = T/(4 um); about 0.1 % and 1.5 % at Cm = 2, 0.04 % and 0.07 % at 10 (in percent here)."""
    risk = global_risk(1.0, 1.0, 2 / (4 * capability), PriorDistribution(0.0, 2 / 6))
    assert (risk.consumer * 100, risk.producer * 100) == pytest.approx((consumer, producer), abs=6e-5)


def test_table_of_risk_by_test_uncertainty_ratio() -> None:
    """Source in tests/reference/README.md: tolerance / U with U = 2 u, centred normal process."""
    with TABLE.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            for inside, names in (
                (0.80, ("PFA_itp0.80", "PFR_itp0.80")),
                (0.90, ("PFA_0.90", "PFR_0.90")),
                (0.99, ("PFA_0.99", "PFR_0.99")),
            ):
                spread = 1 / NormalDist().inv_cdf((1 + inside) / 2)
                risk = global_risk(1.0, 1.0, 1 / (2 * float(row["TUR"])), PriorDistribution(0.0, spread))
                expected = tuple(float(row[name]) for name in names)
                assert (risk.consumer, risk.producer) == pytest.approx(expected, rel=1e-5)


def test_four_to_one() -> None:
    """A ratio of 4:1 and a process of +-2 sigma: consumer 0.8 %, producer 1.5 % (Eagle 1954, Hayes 1955; value from memory)."""
    risk = global_risk(1.0, 1.0, 1 / 8, PriorDistribution(0.0, 0.5))
    assert (round(risk.consumer, 3), round(risk.producer, 3)) == (0.008, 0.015)


def test_two_percent_is_kept_from_a_ratio_of_4_6_whatever_the_process() -> None:
    """Harben and Reese, NCSLI Measure 2012 (value from memory): U = 1.96 u, no process gives more than 2 % false accepts."""
    spreads = [0.5 + 0.02 * i for i in range(60)]
    worst = max(global_risk(1.0, 1.0, 1 / (1.96 * 4.6057), PriorDistribution(0.0, s)).consumer for s in spreads)
    assert worst == pytest.approx(0.02, abs=2e-5)


@given(st.floats(0.02, 0.6), st.floats(0.2, 1.5), st.floats(-0.5, 0.5), st.floats(1e-4, 0.02))
def test_the_consumer_is_kept_from_more_than_was_allowed(u: float, spread: float, mean: float, greatest: float) -> None:
    acceptance = consumer_risk_limit(1.0, u, PriorDistribution(mean, spread), greatest)
    assert 0 <= acceptance <= 1
    assert global_risk(1.0, acceptance, u, PriorDistribution(mean, spread)).consumer <= greatest + 1e-8


@pytest.mark.parametrize(
    ("acceptance", "u", "mean", "spread"),
    [
        (1.0, 0.2, 0.0, 0.2),
        # The reach of the prior and that of acceptance differ by rounding alone.
        (1.0, 0.2, 1.85e-14, 0.2),
        (0.7, 0.3, 0.5, 0.4),
        (0.7, 0.3, -0.5, 0.4),
        (0.0, 0.3, 0.2, 0.6),
        (1.3, 0.1, 0.9, 0.2),
        (0.95, 0.02, 0.9, 0.02),
        (0.9, 0.1, 0.3, 3.0),
        (1.0, 0.5, 0.0, 0.05),
    ],
)
def test_global_risk_is_that_of_the_joint_normal_distribution(
    acceptance: float, u: float, mean: float, spread: float
) -> None:
    """JCGM 106:2012, A.5: item and reading are jointly normal, with the covariance of the item in common; scipy's bivariate distribution."""
    joint = scipy.stats.multivariate_normal([mean, mean], [[spread**2, spread**2], [spread**2, spread**2 + u**2]])
    far = abs(mean) + 12 * (spread + u)

    def within(low: float, high: float) -> float:
        return float(joint.cdf([high, acceptance], lower_limit=[low, -acceptance]))

    item = scipy.stats.norm(mean, spread)
    conforming, accepted = item.cdf(1) - item.cdf(-1), within(-1.0, 1.0)
    risk = global_risk(1.0, acceptance, u, PriorDistribution(mean, spread))
    assert risk.consumer == pytest.approx(within(1.0, 1 + far) + within(-1 - far, -1.0), abs=1e-8)
    assert risk.producer == pytest.approx(conforming - accepted, abs=1e-8)


@pytest.mark.parametrize("acceptance", [0.8, 1.0, 1.2])
def test_without_an_error_of_measurement_only_the_acceptance_limit_decides(acceptance: float) -> None:
    """Wrongly decided is what lies between limit and acceptance limit: the normal distribution of the standard library."""
    items = NormalDist(0.1, 0.6)
    between = abs(items.cdf(acceptance) - items.cdf(1) + items.cdf(-1) - items.cdf(-acceptance))
    risk = global_risk(1.0, acceptance, 0.0, PriorDistribution(0.1, 0.6))
    expected = (between, 0.0) if acceptance > 1 else (0.0, between)
    assert (risk.consumer, risk.producer) == pytest.approx(expected, abs=1e-9)


@given(st.floats(0.01, 3), st.floats(0.01, 3), st.floats(0.001, 0.4), st.sampled_from([3.0, 9.0, math.inf]))
def test_the_acceptance_limit_falls_with_the_uncertainty(
    u: float, v: float, probability: float, freedom: float
) -> None:
    low, high = sorted((u, v))
    spread = TDistribution(freedom)
    assert (
        false_accept_limit(1.0, high, probability, spread) <= false_accept_limit(1.0, low, probability, spread) + 1e-9
    )


BUDGETS = {
    "rectangle and four readings": ([Contribution(0.6, "rectangular"), Contribution(0.8, degrees_of_freedom=3)], 3.4),
    "rectangle, normal and five readings": (
        [Contribution(0.7, "rectangular"), Contribution(0.4), Contribution(0.6, degrees_of_freedom=4)],
        2.6,
    ),
    "two sets of readings and a rectangle": (
        [
            Contribution(0.3, "rectangular"),
            Contribution(0.5, degrees_of_freedom=5),
            Contribution(0.8, degrees_of_freedom=7),
        ],
        2.2,
    ),
    "a rectangle alone": ([Contribution(1.0, "rectangular")], 1.5),
    "a rectangle that nearly all is": ([Contribution(1.0, "rectangular"), Contribution(0.1)], 1.6),
}
"""Contributions in one unit, and where the limit lies."""


def _beyond_by_convolution(parts: Sequence[Contribution], limit: float) -> float:
    """Probability beyond `limit` of the sum of `parts`, from their densities, convolved on a grid (JCGM 101:2008, 5.10)."""
    step, reach = 2e-3, 400.0
    grid = np.arange(-reach, reach + step / 2, step)
    total = None
    for part in parts:
        if part.distribution == "rectangular":
            law = scipy.stats.uniform(
                -math.sqrt(3) * part.standard_uncertainty, 2 * math.sqrt(3) * part.standard_uncertainty
            )
        elif math.isinf(part.degrees_of_freedom):
            law = scipy.stats.norm(0, part.standard_uncertainty)
        else:
            law = scipy.stats.t(part.degrees_of_freedom, 0, part.standard_uncertainty)
        weights = law.cdf(grid + step / 2) - law.cdf(grid - step / 2)
        total = weights if total is None else scipy.signal.fftconvolve(total, weights, mode="same")
    assert total is not None
    steps = np.cumsum(total)
    return float(1 - np.interp(limit, grid + step / 2, steps))


@pytest.mark.parametrize("budget", BUDGETS)
def test_risk_from_the_distribution_that_the_expanded_uncertainty_is_from(budget: str) -> None:
    """Where U is from a convolution, what lies beyond a limit is too: against densities convolved on a grid, and drawn by numpy.

    A t-distribution with the effective degrees of freedom, which was taken before, gives a third of the first one's risk.
    """
    parts, limit = BUDGETS[budget]
    u = math.sqrt(math.fsum(p.standard_uncertainty**2 for p in parts))
    coverage = coverage_factor(parts, 0.95)
    expected = _beyond_by_convolution(parts, limit)
    risk = 1 - conformance_probability(0.0, u, -FREE, limit, coverage.spread)
    assert risk == pytest.approx(expected, rel=2e-3, abs=2e-6)
    generator = np.random.default_rng(20)
    drawn = sum(
        generator.uniform(-1, 1, 2_000_000) * math.sqrt(3) * p.standard_uncertainty
        if p.distribution == "rectangular"
        else p.standard_uncertainty
        * (
            generator.standard_normal(2_000_000)
            if math.isinf(p.degrees_of_freedom)
            else generator.standard_t(p.degrees_of_freedom, 2_000_000)
        )
        for p in parts
    )
    part = float(np.mean(drawn > limit))
    assert risk == pytest.approx(part, abs=5 * math.sqrt(part / 2e6) + 1e-6)
    # The guard band is the quantile of the same distribution, and U its coverage interval.
    assert 50.0 - false_accept_limit(50.0 * u, u, risk, coverage.spread) / u == pytest.approx(limit / u, rel=2e-3)
    inside = conformance_probability(0.0, u, -coverage.factor * u, coverage.factor * u, coverage.spread)
    assert inside == pytest.approx(0.95, abs=1e-6)


def test_the_tails_beyond_the_circle_go_on() -> None:
    """Far out only the t-distribution with the fewest degrees of freedom is left: P(T > x) of scipy, and no step where the series ends."""
    found = summed([1.0], 0.3, [Bell(1.0, 3.0)], 0.95)
    edge = found.length
    tails = [1 - found.cumulative(x) for x in (0.9 * edge, 0.999 * edge, 1.001 * edge, 1.1 * edge)]
    assert tails == sorted(tails, reverse=True)
    assert tails[1] == pytest.approx(tails[2], rel=0.05)
    assert 1 - found.cumulative(20 * edge) == pytest.approx(scipy.stats.t(3).sf(20 * edge), rel=0.01)


@given(st.floats(-30, 30), st.sampled_from(sorted(BUDGETS)))
def test_a_distribution_rises_and_is_symmetric(x: float, budget: str) -> None:
    spread = coverage_factor(BUDGETS[budget][0], 0.95).spread
    assert 0 <= spread.cumulative(x) <= spread.cumulative(x + 0.1) + 1e-9 <= 1 + 2e-9
    assert spread.cumulative(x) + spread.cumulative(-x) == pytest.approx(1, abs=1e-12)
