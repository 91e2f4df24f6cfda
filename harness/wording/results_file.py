"""Results as the text of `results.json`."""

import dataclasses
import json
import math
from collections.abc import Callable
from typing import Any

from harness.results import DecisionRule, NextMeasurement, Reason, Results
from harness.wording.reasons import decision_statement, measurement_text, reason_text

WORDS: dict[type, tuple[str, Callable[..., str]]] = {
    Reason: ("text", reason_text),
    DecisionRule: ("statement", decision_statement),
    NextMeasurement: ("text", measurement_text),
}
"""Texts in words beside the numbers, by key and source; for who reads the file alone, and not read back."""


def to_json(results: Results) -> str:
    """`results` as JSON text; infinite numbers become null, and what has words has them beside it."""
    return json.dumps(plain_values(results), indent=1, ensure_ascii=False) + "\n"


def plain_values(value: object) -> Any:
    """`value` as JSON has it: dataclasses as objects, and null for what is infinite, which JSON has not."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        plain = {f.name: plain_values(getattr(value, f.name)) for f in dataclasses.fields(value)}
        key, words = WORDS.get(type(value), ("", str))
        return plain | {key: words(value)} if key else plain
    if isinstance(value, list | tuple):
        return [plain_values(v) for v in value]
    if isinstance(value, dict):
        return {k: plain_values(v) for k, v in value.items()}
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
