"""The verdict on an error from its uncertainty and its limit, by the rule chosen before (ILAC-G8:09/2019, JCGM 106:2012), and that rule as it is told."""

from collections.abc import Sequence
from typing import Any, Literal, get_args

from harness.claims.claim_text import claim_sources
from harness.evaluation.conformity.risk import (
    GlobalRisk,
    PriorDistribution,
    conformance_probability,
    consumer_risk_limit,
    false_accept_limit,
    global_risk,
)
from harness.evaluation.uncertainty.distributions import NORMAL, Spread
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.decision_rule import Decision
from harness.files.device import Claim
from harness.results import Conformity, DecisionRule, Judged, RangeResult, Stated, Verdict, accepted

Judgement = Literal[
    "does not meet the claim", "conformity not demonstrated", "fails conditionally", "passes conditionally"
]
JUDGEMENTS: tuple[Judgement, ...] = get_args(Judgement)
"""Wordings for results with a verdict less than a pass, worst first."""


def judgement(found: Judged) -> Judgement | None:
    """The wording for a verdict less than a pass; None for a pass and where nothing is claimed.

    An error beyond the limit does not meet the claim. One within it that is too near for its uncertainty has not been shown
    to meet it, and has not been shown to miss it (ILAC-G8:09/2019: a binary statement rejects both).
    """
    if found.verdict is None or found.verdict == "pass":
        return None
    if found.verdict == "fail":
        return "does not meet the claim" if found.beyond else "conformity not demonstrated"
    return "fails conditionally" if found.verdict == "conditional fail" else "passes conditionally"


TOLD_PLACES = 10
"""Decimal places of a probability that are kept: further ones hold rounding of a sum, which differs between processors."""


def judged(inputs: InputQuantities, value: Any, limit: float | None) -> Judged:
    """`value` with its uncertainty, judged against +-`limit` by the bench's rule; None where nothing is claimed."""
    found, coverage = inputs.expanded(value)
    conformity = None if limit is None else decide(found, limit, inputs.bench.decision, coverage.spread)
    return Judged.of(found, coverage.method, conformity)


def decide(found: Stated, limit: float, decision: Decision, spread: Spread = NORMAL) -> Conformity:
    """Judge `found` against +-`limit` in its unit; `spread` is the distribution behind its expanded uncertainty.

    The specific risk is the consumer's where the verdict is a pass, the producer's where it is a fail (JCGM 106:2012, clause 9),
    with no knowledge of the item but the measurement.
    """
    standard, expanded = found.standard_uncertainty, found.expanded_uncertainty
    acceptance = acceptance_limit(standard, expanded, limit, decision, spread)
    verdict = _verdict(abs(found.value), limit, acceptance, four=decision.verdicts == "four")
    conforms = conformance_probability(found.value, standard, -limit, limit, spread)
    return Conformity(
        limit=limit,
        acceptance_limit=acceptance,
        specific_risk=round(1 - conforms if accepted(verdict) else conforms, TOLD_PLACES),
        test_uncertainty_ratio=limit / expanded if expanded else None,
        verdict=verdict,
    )


def acceptance_limit(
    standard_uncertainty: float,
    expanded_uncertainty: float,
    limit: float,
    decision: Decision,
    spread: Spread = NORMAL,
) -> float:
    """Largest error, without sign, that passes by the rule; negative when none does."""
    if decision.rule == "guarded":
        return limit - decision.guard_factor * expanded_uncertainty
    if decision.false_accept_probability is not None:
        return false_accept_limit(limit, standard_uncertainty, decision.false_accept_probability, spread)
    prior, greatest = prior_of(decision), decision.greatest_consumer_risk
    if prior is None or greatest is None:
        return limit
    return limit * consumer_risk_limit(1.0, standard_uncertainty / limit, prior, greatest)


def prior_of(decision: Decision) -> PriorDistribution | None:
    """The prior distribution of items, in parts of the limit; None for a rule that uses none."""
    if decision.prior_standard_deviation is None:
        return None
    return PriorDistribution(decision.prior_mean or 0.0, decision.prior_standard_deviation)


def _verdict(size: float, limit: float, acceptance: float, *, four: bool) -> Verdict:
    if size <= acceptance:
        return "pass"
    if not four:
        return "fail"
    if size <= limit:
        return "conditional pass"
    return "conditional fail" if size <= 2 * limit - acceptance else "fail"


def decision_rule(decision: Decision, claim: Claim, ranges: Sequence[RangeResult]) -> DecisionRule:
    """The certificate's account of how verdicts were reached on `ranges`."""
    risks = _global_risks(decision, ranges)
    return DecisionRule(
        **decision.model_dump(exclude={"guard_factor", "prior_mean"}),
        guard_factor=decision.guard_factor if decision.rule == "guarded" else None,
        prior_mean=None if decision.rule != "shared_risk" else decision.prior_mean or 0.0,
        global_consumer_risk=max((r.consumer for r in risks), default=None),
        global_producer_risk=max((r.producer for r in risks), default=None),
        memory=tuple(source.text for source in claim_sources(claim) if source.from_memory),
    )


def _global_risks(decision: Decision, ranges: Sequence[RangeResult]) -> list[GlobalRisk]:
    """The risks of everything judged, each acceptance limit and standard uncertainty taken in parts of its limit, and once."""
    prior = prior_of(decision)
    if prior is None:
        return []
    judged = [(j, c) for rng in ranges for j in rng.judged if (c := j.conformity) is not None]
    cases = dict.fromkeys((c.acceptance_limit / c.limit, j.standard_uncertainty / c.limit) for j, c in judged)
    return [global_risk(1.0, acceptance, uncertainty, prior) for acceptance, uncertainty in cases]
