"""The decision rule in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from harness.results import DecisionRule
from harness.wording.reasons import sentence


def decision_statement(rule: DecisionRule) -> str:
    """The way verdicts were reached, with the numbers and the source of the rule."""
    values = {name: value for name, value in vars(rule).items() if value is not None}
    return " ".join(sentence(code, values) for code in _codes(rule))


def _codes(rule: DecisionRule) -> Iterator[str]:
    yield "rule-guarded-by-U" if rule.guard_factor == 1 else f"rule-{rule.rule}"
    if rule.rule == "shared_risk":
        yield "rule-limit" if rule.greatest_consumer_risk is None else "rule-consumer-risk"
    if rule.verdicts == "four":
        yield "rule-four-verdicts"
    if rule.least_test_uncertainty_ratio is not None:
        yield "rule-least-ratio"
    yield "rule-specific-risk"
