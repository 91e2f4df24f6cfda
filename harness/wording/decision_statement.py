"""The decision rule in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from harness.core.quantities import format_percent
from harness.results import DecisionRule


def decision_statement(decision: DecisionRule) -> str:
    """How verdicts were reached, with the numbers and the source of the rule."""
    return " ".join(_sentences(decision))


def _sentences(decision: DecisionRule) -> Iterator[str]:
    if decision.rule == "simple":
        yield (
            "Simple acceptance (ILAC-G8:09/2019): a point passes when its error does not exceed the limit; the uncertainty is "
            "stated beside it."
        )
    elif decision.rule == "guarded":
        factor = decision.guard_factor or 0.0
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


def _shared(decision: DecisionRule) -> Iterator[str]:
    yield (
        "Shared risk (JCGM 106:2012, clause 9): items are taken to be distributed normally about "
        f"{format_percent(decision.prior_mean, 'g')} of the limit with a standard deviation of "
        f"{format_percent(decision.prior_standard_deviation, 'g')} of it, "
        "and errors of measurement normally with u."
    )
    if decision.greatest_consumer_risk is None:
        yield "A point passes when its error does not exceed the limit."
    else:
        yield (
            "A point passes only within an acceptance limit that keeps the global consumer's risk at "
            f"{format_percent(decision.greatest_consumer_risk, 'g')} or less."
        )
