"""The decision rule of a run in words and numbers, with the risk it carries over all points."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from harness.claims.claim_text import claim_sources
from harness.core.quantities import format_percent
from harness.evaluation.conformity.decision import prior_of
from harness.evaluation.conformity.risk import GlobalRisk, global_risk
from harness.files.bench import Decision
from harness.files.device import Claim
from harness.results import DecisionRule, RangeResult


def decision_rule(decision: Decision, claim: Claim, ranges: Sequence[RangeResult]) -> DecisionRule:
    """What the certificate says of how verdicts were reached on `ranges`."""
    risks = _global_risks(decision, ranges)
    return DecisionRule(
        rule=decision.rule,
        coverage_probability=decision.coverage_probability,
        statement=" ".join(_sentences(decision)),
        verdicts=decision.verdicts,
        guard_factor=decision.guard_factor if decision.rule == "guarded" else None,
        false_accept_probability=decision.false_accept_probability,
        prior_mean=None if decision.rule != "shared_risk" else decision.prior_mean or 0.0,
        prior_standard_deviation=decision.prior_standard_deviation,
        greatest_consumer_risk=decision.greatest_consumer_risk,
        global_consumer_risk=max((r.consumer for r in risks), default=None),
        global_producer_risk=max((r.producer for r in risks), default=None),
        least_test_uncertainty_ratio=decision.least_test_uncertainty_ratio,
        memory=tuple(source.text for source in claim_sources(claim) if source.from_memory),
    )


def _sentences(decision: Decision) -> Iterator[str]:
    if decision.rule == "simple":
        yield (
            "Simple acceptance (ILAC-G8:09/2019): a point passes when its error does not exceed the limit; the uncertainty is "
            "stated beside it."
        )
    elif decision.rule == "guarded":
        factor = decision.guard_factor
        name = "U" if factor == 1 else f"{factor:g} U"
        yield (
            f"Guard band w = {name} (ILAC-G8:09/2019): a point passes only when its error does not exceed the limit less "
            f"{'the expanded uncertainty' if factor == 1 else f'{factor:g} times the expanded uncertainty'}."
        )
    elif decision.rule == "false_accept":
        yield (
            "Guard band for a greatest probability of false acceptance (JCGM 106:2012, 8.3): a point passes only when the "
            f"probability that its error lies beyond the limit is at most {format_percent(decision.false_accept_probability, 'g')}."
        )
    else:
        yield from _shared(decision)
    if decision.verdicts == "four":
        yield (
            "Between the acceptance limit and the limit the verdict is conditional pass, from there as far beyond the limit "
            "conditional fail (ILAC-G8:09/2019, non-binary statement)."
        )
    if decision.least_test_uncertainty_ratio is not None:
        yield f"Limit / U shall be at least {decision.least_test_uncertainty_ratio:g}."
    yield (
        "The specific risk is the probability that the verdict is wrong (JCGM 106:2012, clause 7), from this measurement alone "
        "and from the distribution that U is taken from."
    )


def _shared(decision: Decision) -> Iterator[str]:
    prior = prior_of(decision)
    if prior is None:
        return
    yield (
        "Shared risk (JCGM 106:2012, clause 9): items are taken to be distributed normally about "
        f"{format_percent(prior.mean, 'g')} of the limit with a standard deviation of {format_percent(prior.standard_deviation, 'g')} of it, "
        "and errors of measurement normally with u."
    )
    if decision.greatest_consumer_risk is None:
        yield "A point passes when its error does not exceed the limit."
    else:
        yield (
            "A point passes only within an acceptance limit that keeps the global consumer's risk at "
            f"{format_percent(decision.greatest_consumer_risk, 'g')} or less."
        )


def _global_risks(decision: Decision, ranges: Sequence[RangeResult]) -> list[GlobalRisk]:
    prior = prior_of(decision)
    if prior is None:
        return []
    cases = dict.fromkeys(_cases(ranges))
    return [global_risk(1.0, acceptance, uncertainty, prior) for acceptance, uncertainty in cases]


def _cases(ranges: Iterable[RangeResult]) -> Iterator[tuple[float, float]]:
    """Acceptance limit and standard uncertainty of everything judged, in parts of its limit."""
    for judged in (j for rng in ranges for j in rng.judged):
        if judged.conformity is not None and judged.conformity.limit:
            limit = judged.conformity.limit
            yield judged.conformity.acceptance_limit / limit, judged.standard_uncertainty / limit
