"""Verdicts and the risk they carry."""

import math
from statistics import NormalDist
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.evaluation.conformity import verdict

LIMIT, U = 1.0, 0.2


def _largest_that_passes(rule: Literal["simple", "guarded"]) -> float:
    low, high = 0.0, 2.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if verdict(middle, U, LIMIT, rule) == "pass" else (low, middle)
    return low


@pytest.mark.parametrize(("rule", "risk"), [("guarded", 0.0227501), ("simple", 0.5)])
def test_risk_at_the_limit_of_acceptance(rule: Literal["simple", "guarded"], risk: float) -> None:
    """JCGM 106:2012, 8.3.2.3 and ILAC-G8:09/2019: with a guard band of U = 2 u at most 2.3 %, without one up to 50 %."""
    found = 1 - NormalDist(_largest_that_passes(rule), U / 2).cdf(LIMIT)
    assert found == pytest.approx(risk, abs=1e-6)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("rule", "edge"), [("simple", 0.5), ("guarded", 0.375)])
def test_exactly_at_the_edge_still_passes(rule: Literal["simple", "guarded"], edge: float, sign: int) -> None:
    """JCGM 106:2012, 3.3.9 note 1 (value from memory): the acceptance limits belong to the acceptance interval; limit 0.5, U 0.125, both exact in binary."""
    assert verdict(sign * edge, 0.125, 0.5, rule) == "pass"
    assert verdict(sign * math.nextafter(edge, 1), 0.125, 0.5, rule) == "fail"


@given(st.floats(-2, 2), st.floats(0, 1), st.floats(0.1, 2))
def test_the_guarded_rule_is_never_the_milder_one(error: float, uncertainty: float, limit: float) -> None:
    """What passes with a guard band passes without; the sign of the error does not matter."""
    guarded = verdict(error, uncertainty, limit, "guarded")
    assert guarded == verdict(-error, uncertainty, limit, "guarded")
    if guarded == "pass":
        assert verdict(error, uncertainty, limit, "simple") == "pass"
    assert verdict(0.0, limit * 1.01, limit, "guarded") == "fail"
