"""Every reason an evaluation gives has a sentence, and the sentence says the numbers it is given."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from harness import design, evaluation
from harness.results import Reason
from harness.wording.sentences import SENTENCES, reason_line, reason_text

ROOMS = [Path(room.__path__[0]) for room in (design, evaluation)]
FORWARDED = {
    "points-left-out",
    "no-waveform-compared",
    "nothing-read",
    "smallest-not-read",
    "power-with-no-current",
    "power-with-no-current-by-current",
    "to-separate",
    "to-detect",
    "look",
    "no-reading-separates",
}
"""Codes that are handed on by a name before a reason is made of them."""

JUDGED = ["judgement", "value", "expanded_uncertainty", "limit"]
"""What `not_passed` gives beside."""


@cache
def _given() -> dict[str, set[str] | None]:
    """Code -> names of its values, None where they are gathered before, of every reason made in the code."""
    found: dict[str, set[str] | None] = {}
    for module in sorted(file for room in ROOMS for file in room.rglob("*.py")):
        for call in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            maker = ast.unparse(call.func) if isinstance(call, ast.Call) else ""
            if not isinstance(call, ast.Call) or maker not in ("Reason.of", "not_passed"):
                continue
            names = [keyword.arg for keyword in call.keywords] + (JUDGED if maker == "not_passed" else [])
            for code in ast.walk(call.args[0]):
                if isinstance(code, ast.Constant):
                    found[str(code.value)] = None if None in names else {name for name in names if name}
    return found


def test_every_code_has_a_sentence_and_every_sentence_a_code() -> None:
    assert set(_given()) | FORWARDED == {code for code in SENTENCES if not code.startswith("rule-")}


@pytest.mark.parametrize("code", sorted(_given()))
def test_a_sentence_names_the_values_given_with_its_code(code: str) -> None:
    named = set(re.findall(r"{(\w+)", SENTENCES[code])) - {"range"}
    if ":±" in SENTENCES[code]:
        named.add("expanded_uncertainty")
    given = _given()[code]
    assert given is None or named == given


def test_what_is_not_known_is_left_out_with_its_words() -> None:
    known = {"point": "x4 down 1 A", "why": "no load is near"}
    assert reason_line(Reason.of("points-left-out", "x4", **known, more=None)) == (
        "x4: not shown over its whole span: x4 down 1 A left out, no load is near"
    )
    assert "x4 down 1 A and 3 more left out, " in reason_text(Reason.of("points-left-out", "x4", **known, more=3))


def test_a_value_that_a_sentence_cannot_do_without_is_missed() -> None:
    with pytest.raises(KeyError, match="described"):
        reason_text(Reason.of("other-turns", "x4", turns=3.0))


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        (Reason.of("not-shown-above", current=0.0123456), "not shown above 12.35 mA"),
        (Reason.of("zero-offset", current=0.0123456), "reads 12.3 mA with no current, more than its uncertainty"),
        (
            Reason.of("creep", energy=7200.0, seconds=3600.4, power=2.0),
            "counted 2 Wh in 3600 s with no current (creep of 2 W)",
        ),
        (Reason.of("left-out", what="[x] {y}", why="{z}"), "[x] {y} left out, {z}"),
        (
            Reason.of("points-outside-claim", outside=5, points=9, currents=(1.0, 2.0, 3.0, 3.0)),
            "5 of 9 points lie outside the currents claimed and have no verdict: 1 A, 2 A, 3 A, 3 A",
        ),
        (
            Reason.of("part-of-span", shown=(10.0, 10.0000001), claimed=(0.1, 10.0)),
            "the verdict stands for 10 A only, of the 100 mA to 10 A claimed",
        ),
    ],
)
def test_values_are_written_in_their_units(reason: Reason, said: str) -> None:
    assert reason_text(reason) == said


def test_an_angle_is_written_in_minutes_of_arc_and_a_power_factor_in_words() -> None:
    """A radian is 10800 / pi minutes."""
    phase = Reason.of(
        "phase-not-passed", value=0.001, expanded_uncertainty=1e-4, current=1.0, limit=5e-4, judgement="x"
    )
    assert reason_text(phase).startswith("phase displacement (+3.44 ± 0.34)' at 1 A where 1.7' is allowed")
    far = Reason.of("power-not-predicted", power_factor=-0.8012, current=1.0, normalized_error=3.0)
    assert reason_text(far).startswith("power at power factor 0.8 leading and 1 A ")
