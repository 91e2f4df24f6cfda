"""Reasons, remarks, the decision rule and the diagnosis in sentences."""

import re
from collections.abc import Iterator, Mapping

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import format_percent, format_quantity, signed_text
from harness.core.rounding import claimed_percent, for_terminal, probability
from harness.results import (
    DecisionRule,
    EffectiveTurns,
    Hypothesis,
    NextMeasurement,
    RangeResult,
    Reason,
    Results,
    Value,
)
from harness.wording.values import with_uncertainty
from instruments.shipped_text import shipped_text
from instruments.toml_file import read_tables

SENTENCES: Mapping[str, str] = read_tables(shipped_text(__package__, "sentences.toml"), "sentences.toml")
"""The sentence of every code."""

_OPTIONAL = re.compile(r"\[([^]]*)]")
_FIELD = re.compile(r"{(\w+)(?::([^}]*))?}")
_QUANTITY = re.compile(r"(A|V|W|Hz)(\d?)")


def sentence(code: str, values: Mapping[str, Value]) -> str:
    """The sentence of `code`, filled in. Raises KeyError for a value it cannot do without."""

    def known(part: re.Match[str]) -> str:
        return part[1] if all(name in values for name, _ in _FIELD.findall(part[1])) else ""

    def written(field: re.Match[str]) -> str:
        value, form = values[field[1]], field[2] or ""
        if form.startswith("±"):
            return with_uncertainty(_number(value), _number(values["expanded_uncertainty"]), form[1:])
        return _written(value, form)

    return _FIELD.sub(written, _OPTIONAL.sub(known, SENTENCES[code]))


def reason_text(reason: Reason) -> str:
    """`reason` in a sentence, without its range."""
    return sentence(reason.code, {"range": reason.range, **reason.values})


def reason_line(reason: Reason) -> str:
    """`reason` in a sentence that begins with its range."""
    return f"{reason.range}: {reason_text(reason)}" if reason.range else reason_text(reason)


def verdict_text(found: RangeResult) -> str:
    """The verdict of a range, with the currents it is of where they are a part of the span: `pass at 2 A only`."""
    return found.verdict if found.stands_for is None else f"{found.verdict} at {span_text(found.stands_for)} only"


def nearest_integer(turns: EffectiveTurns) -> str:
    """The nearest integer with its probability, or that the interval holds none."""
    if not turns.holds_whole_number:
        return f"none within ± U; the nearest is {turns.nearest}"
    return f"{turns.nearest}, probability {probability(turns.probability)}"


def span_text(currents: tuple[float, ...]) -> str:
    """The first and the last of `currents`, or the one they both are as written."""
    return _written(currents, "A to")


def decision_statement(rule: DecisionRule) -> str:
    """The way verdicts were reached, with the numbers and the source of the rule."""
    values = {name: value for name, value in vars(rule).items() if value is not None}
    return " ".join(sentence(code, values) for code in _codes(rule))


def diagnosis_lines(results: Results) -> list[str]:
    """The lines below the causes: the odds, what the run leaves open, and what to measure or to inspect next."""
    details = results.diagnosis_details
    notes = "; ".join(reason_text(note) for note in results.diagnosis_notes)
    following = "" if details.extra_measurement is None else measurement_text(details.extra_measurement)
    look = "" if details.look is None else reason_text(details.look)
    return [line for line in (_odds_text(results.diagnosis[0]), notes, following, look) if line]


def measurement_text(following: NextMeasurement) -> str:
    """A measurement, what it is for, and what to expect of it."""
    expected = ", or ".join(reason_text(reason) for reason in following.expected)
    undecided = "".join(f"; {reason_text(reason)}" for reason in following.undecided)
    return f"{reason_text(following.aim)}: {reason_text(following.action)}; expect {expected}{undecided}"


def _odds_text(likeliest: Hypothesis) -> str:
    """The odds of the likeliest explanation in a sentence; empty when nothing is known of them."""
    against = ((likeliest.odds_against_none, "no fault"), (likeliest.odds_against_next, "the next cause"))
    told = [f"{_odds(odds)} over {other}" for odds, other in against if odds is not None]
    return f"odds {', '.join(told)}" if told else ""


def _codes(rule: DecisionRule) -> Iterator[str]:
    yield "rule-guarded-by-U" if rule.guard_factor == 1 else f"rule-{rule.rule}"
    if rule.rule == "shared_risk":
        yield "rule-limit" if rule.greatest_consumer_risk is None else "rule-consumer-risk"
    if rule.verdicts == "four":
        yield "rule-four-verdicts"
    if rule.least_test_uncertainty_ratio is not None:
        yield "rule-least-ratio"
    yield "rule-specific-risk"


def _odds(odds: float) -> str:
    if odds >= 1e6:
        return "more than 1,000,000 : 1"
    return f"{float(f'{odds:.2g}'):.15g} : 1"


def _number(value: Value) -> float:
    assert isinstance(value, int | float), value
    return value


def _written(value: Value, form: str) -> str:
    """`value` in the form that `sentences.toml` explains."""
    if isinstance(value, str):
        return value
    if isinstance(value, tuple):
        each = [_written(one, form.removesuffix(" to")) for one in value]
        if form.endswith(" to"):
            return " to ".join(dict.fromkeys(each))
        return {"or": "; or ", "": "; "}.get(form, ", ").join(each) if isinstance(value[0], str) else ", ".join(each)
    if quantity := _QUANTITY.fullmatch(form):
        return format_quantity(value, quantity[1], int(quantity[2] or 4))
    if form.startswith("pf"):
        return signed_text(round(value, int(form[2:])))
    if form == "%":
        return for_terminal(claimed_percent(value))
    if form == "~%":
        form = "+.2f%" if abs(value) < 0.1 else "+.0f%"
    if form.endswith("%"):
        return format_percent(value, form[:-1])
    if form.endswith("'"):
        return f"{value * MINUTES_PER_RADIAN:{form[:-1]}}'"
    if form.endswith("Wh"):
        return f"{value / 3600:{form[:-2]}} Wh"
    return format(value, form)
