"""Verdicts and the risk they carry."""

import dataclasses
import math
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from harness.evaluation.conformity.decision import acceptance_limit, decide, judged, judgement
from harness.evaluation.uncertainty.distributions import TDistribution
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.decision_rule import Decision
from harness.results import VERDICTS, Conformity, Judged, Stated, Verdict
from tests.harness.evaluation.conftest import RUN_DATE

LIMIT, U = 1.0, 0.2
SIMPLE, GUARDED = Decision(rule="simple"), Decision(rule="guarded")
FIVE_PERCENT = Decision(rule="false_accept", false_accept_probability="5 %")
FOUR = Decision(rule="guarded", verdicts="four")


def _decided(
    error: float, expanded: float, limit: float, decision: Decision, standard: float | None = None
) -> Conformity:
    return decide(Stated(error, expanded / 2 if standard is None else standard, expanded, 2.0, None), limit, decision)


def _verdict(error: float, expanded: float, limit: float, decision: Decision) -> Verdict:
    return _decided(error, expanded, limit, decision).verdict


def _largest_that_passes(decision: Decision) -> float:
    low, high = 0.0, 2.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _verdict(middle, U, LIMIT, decision) == "pass" else (low, middle)
    return low


@pytest.mark.parametrize(
    ("decision", "risk"),
    [
        (GUARDED, 0.0227501),
        (SIMPLE, 0.5),
        (Decision(guard_factor=1.5), 0.0013499),
        (Decision(guard_factor=0.83), 0.0484572),
        (FIVE_PERCENT, 0.05),
    ],
)
def test_risk_at_the_limit_of_acceptance(decision: Decision, risk: float) -> None:
    """JCGM 106:2012, 8.3.2.3, and ILAC-G8:09/2019, table of guard bands w = r U, U = 2 u (the latter value from memory)."""
    edge = _largest_that_passes(decision)
    assert 1 - NormalDist(edge, U / 2).cdf(LIMIT) == pytest.approx(risk, abs=1e-6)
    assert _decided(edge, U, LIMIT, decision).specific_risk == pytest.approx(risk, abs=1e-6)


def test_five_percent_is_a_guard_band_of_1_645_u() -> None:
    """ISO 14253-1:2017 (value from memory): 95 % conformance probability, one-sided guard factor 1.65 u."""
    assert acceptance_limit(0.1, 0.2, 1.0, FIVE_PERCENT) == pytest.approx(1 - 0.1645, abs=5e-5)
    assert acceptance_limit(0.1, 0.2, 1.0, FIVE_PERCENT, TDistribution(9)) == pytest.approx(1 - 0.1833, abs=5e-5)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("decision", "edge"), [(SIMPLE, 0.5), (GUARDED, 0.375)])
def test_exactly_at_the_edge_still_passes(decision: Decision, edge: float, sign: int) -> None:
    """JCGM 106:2012, 3.3.9 note 1 (value from memory): the acceptance limits belong to the acceptance interval; limit 0.5, U 0.125, both exact in binary."""
    assert _verdict(sign * edge, 0.125, 0.5, decision) == "pass"
    assert _verdict(sign * math.nextafter(edge, 1), 0.125, 0.5, decision) == "fail"


@pytest.mark.parametrize(
    ("error", "verdict"),
    [
        (0.79, "pass"),
        (0.81, "conditional pass"),
        (0.99, "conditional pass"),
        (-1.01, "conditional fail"),
        (1.21, "fail"),
    ],
)
def test_four_verdicts(error: float, verdict: Verdict) -> None:
    """ILAC-G8:09/2019, non-binary statement with guard band (value from memory): the limit less w, the limit, the limit plus w."""
    assert _verdict(error, U, LIMIT, FOUR) == verdict


def test_shared_risk_of_the_resistors() -> None:
    """JCGM 106:2012, 9.5.3.2: u0 = 0.6 T, um = 0.2 T and a greatest consumer's risk of 0.988 % give A = 0.9 T."""
    shared: dict[str, Any] = {"rule": "shared_risk", "prior_standard_deviation": "60 %"}
    assert acceptance_limit(0.04, 0.08, 0.2, Decision(**shared)) == 0.2
    guarded = Decision(**shared, greatest_consumer_risk="0.987829 %")
    assert acceptance_limit(0.04, 0.08, 0.2, guarded) == pytest.approx(0.18, abs=1e-6)


def test_test_uncertainty_ratio_is_limit_over_expanded_uncertainty() -> None:
    assert _decided(0.0, 0.25, 1.0, SIMPLE, standard=0.1).test_uncertainty_ratio == 4
    assert _decided(0.0, 0.0, 1.0, GUARDED).test_uncertainty_ratio is None


@pytest.mark.parametrize(
    ("fields", "complaint"),
    [
        ({"rule": "simple", "guard_factor": 1.5}, 'guard_factor with rule = "simple"'),
        ({"rule": "false_accept"}, "without false_accept_probability"),
        ({"rule": "shared_risk"}, "without prior_standard_deviation"),
        ({"rule": "guarded", "greatest_consumer_risk": "1 %"}, 'with rule = "shared_risk" only'),
        ({"rule": "simple", "verdicts": "four"}, "no guard band"),
        ({"rule": "guarded", "guard_factor": 0, "verdicts": "four"}, "no guard band"),
        ({"rule": "shared_risk", "prior_standard_deviation": "50 %", "verdicts": "four"}, "no guard band"),
    ],
)
def test_keys_that_do_not_belong_together(fields: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        Decision.model_validate(fields)


@given(st.floats(-2, 2), st.floats(0, 1), st.floats(0.1, 2))
def test_the_guarded_rule_is_never_the_milder_one(error: float, uncertainty: float, limit: float) -> None:
    """What passes with a guard band passes without; the sign of the error does not matter."""
    guarded = _verdict(error, uncertainty, limit, GUARDED)
    assert guarded == _verdict(-error, uncertainty, limit, GUARDED)
    if guarded == "pass":
        assert _verdict(error, uncertainty, limit, SIMPLE) == "pass"
    assert _verdict(0.0, limit * 1.01, limit, GUARDED) == "fail"


@given(st.sampled_from([GUARDED, FIVE_PERCENT, FOUR]), st.floats(0.01, 2), st.floats(0.01, 2))
def test_the_acceptance_limit_falls_with_the_uncertainty(decision: Decision, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert acceptance_limit(high, 2 * high, 1.0, decision) <= acceptance_limit(low, 2 * low, 1.0, decision) + 1e-9


@given(st.floats(0, 3), st.floats(0, 3), st.floats(0.01, 2))
def test_a_larger_error_never_has_the_better_verdict(one: float, other: float, uncertainty: float) -> None:
    small, large = (VERDICTS.index(_verdict(e, uncertainty, 1.0, FOUR)) for e in sorted((one, other)))
    assert small <= large


@given(st.floats(0.001, 0.1), st.sampled_from([SIMPLE, GUARDED, FIVE_PERCENT, FOUR]), st.sampled_from([5.0, math.inf]))
def test_at_the_limit_either_verdict_is_as_likely_wrong_as_right(u: float, decision: Decision, freedom: float) -> None:
    """JCGM 106:2012, 7.3: half of a symmetric distribution lies beyond a limit at its middle; u is small against the limit."""
    found = decide(Stated(1.0, u, 2 * u, 2.0, freedom), 1.0, decision, TDistribution(freedom)).specific_risk
    assert found == pytest.approx(0.5, abs=1e-4)


def test_the_risk_stated_of_a_value_is_that_of_its_own_distribution(bench: Bench) -> None:
    """A rectangle beside four readings: what lies beyond the limit, drawn by numpy. Taken from a t-distribution with the effective degrees
    of freedom, as it was, it came to half of that.
    """
    inputs = InputQuantities(bench, RUN_DATE)
    value = inputs.own("bound", 0.6, "rectangular") + inputs.own("readings", 0.8, "normal", 3)
    conformity = judged(inputs, value, 3.4).conformity
    assert conformity is not None
    found = conformity.specific_risk
    generator, count = np.random.default_rng(11), 1_000_000
    drawn = generator.uniform(-1, 1, count) * 0.6 * math.sqrt(3) + 0.8 * generator.standard_t(3, count)
    assert found == pytest.approx(float(np.mean(np.abs(drawn) > 3.4)), rel=0.04)


@pytest.mark.parametrize(
    ("verdict", "error", "told"),
    [
        ("pass", 0.5, None),
        (None, 2.0, None),
        ("fail", -1.01, "does not meet the claim"),
        ("fail", 1.0, "conformity not demonstrated"),
        ("conditional pass", 0.9, "passes conditionally"),
        ("conditional fail", 1.1, "fails conditionally"),
    ],
)
def test_what_is_said_of_less_than_a_pass(verdict: Verdict | None, error: float, told: str | None) -> None:
    """ILAC-G8:09/2019: a rejection by the guard band says that conformity was not shown, and no more."""
    conformity = Conformity(1.0, 0.8, 0.0, 5.0, verdict)
    judged_as = Judged(error, 0.1, 0.2, 2.0, None, "t-distribution", conformity)
    assert judgement(judged_as) == told
    assert judgement(dataclasses.replace(judged_as, conformity=None)) is None


def test_the_edges_of_four_verdicts_belong_to_the_milder_one() -> None:
    """As the acceptance limit belongs to the acceptance interval; limit 2 and U 0.5 are exact in binary: 1.5, 2 and 2.5."""
    for edge, verdict in ((1.5, "pass"), (2.0, "conditional pass"), (2.5, "conditional fail")):
        assert _verdict(edge, 0.5, 2.0, FOUR) == verdict
        assert _verdict(math.nextafter(edge, 3), 0.5, 2.0, FOUR) != verdict


def test_a_decision_tells_its_acceptance_limit_and_the_producers_risk_of_a_fail() -> None:
    """JCGM 106:2012, 8.3.2.2 and clause 9: one standard uncertainty beyond the limit 16 % of a normal distribution lie within."""
    found = decide(Stated(1.1, 0.1, 0.2, 2.0, 4.0), 1.0, GUARDED, TDistribution(4.0))
    assert (found.verdict, found.acceptance_limit) == ("fail", pytest.approx(0.8))
    assert decide(Stated(1.1, 0.1, 0.2, 2.0, None), 1.0, GUARDED).specific_risk == pytest.approx(
        NormalDist().cdf(-1), abs=1e-9
    )


def test_a_false_accept_rule_goes_by_the_distribution_of_its_value() -> None:
    """Student's t with 4 degrees of freedom has its 95 % point at 2.132, the normal distribution at 1.645 (tables)."""
    found = decide(Stated(0.0, 0.1, 0.2, 2.0, 4.0), 1.0, FIVE_PERCENT, TDistribution(4.0))
    assert found.acceptance_limit == pytest.approx(1 - 0.2132, abs=1e-4)
