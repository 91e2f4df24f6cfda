"""What the terminal says when a run has been evaluated."""

from __future__ import annotations

from pathlib import Path

from harness.commands.additional_lines import beyond_lines, check_line
from harness.core.rounding import for_terminal, probability
from harness.replay.kept_run import RECORD
from harness.results import CONTRADICTION, RangeResult, Results, Validation, accepted
from harness.wording.diagnosis import diagnosis_lines
from harness.wording.reasons import nearest_integer, partly, reason_line, reason_text, verdict_text
from harness.wording.values import stated_text

RESULTS, CERTIFICATE = "results.json", "certificate.pdf"


def summary_lines(results: Results, out: Path) -> list[str]:
    """What is said when a run has been evaluated: verdict, ranges, diagnosis, paths."""
    lines = [f"verdict: {results.verdict.upper()}{', for part of the claim only' if partly(results) else ''}"]
    wide = max(5, *(len(verdict_text(r)) for r in results.ranges))
    for rng in results.ranges:
        beyond = list(beyond_lines(rng))
        if rng.points or beyond or not accepted(rng.verdict) or results.bench_check is None:
            lines.append(
                f"  {rng.name:<6} {verdict_text(rng):<{wide}} {_turns_text(rng, results.ranges[0].name)}".rstrip()
            )
        lines += [f"         {line}" for line in beyond]
        lines += [f"         {reason_text(remark)}" for remark in rng.remarks]
    if results.bench_check is not None:
        lines.append(f"  {check_line(results.bench_check)}")
    lines += [f"  {reason_line(reason)}" for reason in results.reasons]
    if results.contradictions and CONTRADICTION not in results.run.overrides:
        lines.append(
            f"  contradictory readings are no evidence; repeat the run (to certify it anyway: --override {CONTRADICTION})"
        )
    lines += [validation_text(results.validation)] if results.validation is not None else []
    shown = [h for h in results.diagnosis if h.probability >= 0.01][:3]
    if shown and (not accepted(results.verdict) or shown[0].fault != "none"):
        lines.append("most likely cause")
        lines += [f"  {for_terminal(probability(h.probability)):>12}  {h.label}: {h.description}" for h in shown]
        lines += [f"  {line}" for line in diagnosis_lines(results)]
    return [*lines, *(f"{out / name}" for name in (RECORD, RESULTS, CERTIFICATE) if (out / name).exists())]


def validation_text(validation: Validation) -> str:
    """What the Monte Carlo trials say of the evaluation, in a line."""
    by_outcome: dict[str, list[str]] = {"agrees": [], "differs": [], "undecided": []}
    for quantity in validation.quantities:
        by_outcome[quantity.outcome].append(quantity.name)
    text = f"validated by {validation.trials:,} trials (JCGM 101): {len(by_outcome['agrees'])} of {len(validation.quantities)} agree"
    for outcome, names in (("differ", by_outcome["differs"]), ("undecided", by_outcome["undecided"])):
        if names:
            text += f"; {outcome}: {'; '.join(names[:3])}{f' and {len(names) - 3} more' if len(names) > 3 else ''}"
    return text


def _turns_text(rng: RangeResult, base: str) -> str:
    turns = f"{rng.expected_turns} turn{'s' if rng.expected_turns > 1 else ''}"
    found, factor = rng.effective_turns, rng.reading_factor
    if found is None:
        if factor is None:
            return ""
        return f"expected {turns}, not determined; reading factor {stated_text(factor)}"
    integer = for_terminal(nearest_integer(found))
    return f"expected {turns}, found {stated_text(found)} against {base}; nearest integer: {integer}"
