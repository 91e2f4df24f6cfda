"""The decision rule of a run, with the risk it carries over all points."""

from __future__ import annotations

from collections.abc import Sequence

from harness.claims.claim_text import claim_sources
from harness.evaluation.conformity.decision import prior_of
from harness.evaluation.conformity.risk import GlobalRisk, global_risk
from harness.files.bench import Decision
from harness.files.device import Claim
from harness.results import DecisionRule, RangeResult


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
