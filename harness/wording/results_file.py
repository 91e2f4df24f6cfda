"""Results as the text of `results.json`, and back."""

import dataclasses
import json
import math
import types
import typing
from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness.core.errors import UserError
from harness.results import SCHEMA, DecisionRule, NextMeasurement, Reason, Results
from harness.wording.results_values import check_values
from harness.wording.sentences import decision_statement, measurement_text, reason_text

RESULTS = "results.json"

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


def read_results(file: Path) -> Results:
    """The results in `file`. Raises UserError where it cannot be read, or is of another schema: a record is kept, so it is evaluated again."""
    try:
        # Some editors put a byte order mark in front.
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeError) as failure:
        raise UserError(f"{file}: {getattr(failure, 'strerror', None) or 'no text in UTF-8'}") from None
    return from_json(text, str(file))


def from_json(text: str, file: str = RESULTS) -> Results:
    """The results in `text` as `to_json` writes them; `file` names it in errors. Raises UserError."""
    again = "expected what `ratioproof certify` writes; evaluate the record again"
    try:
        data = json.loads(text)
    except ValueError:
        raise UserError(f"{file}: found no JSON, {again}") from None
    except RecursionError:
        raise UserError(f"{file}: found JSON that is nested too deep, {again}") from None
    schema = data.get("schema") if isinstance(data, dict) else None
    if schema != SCHEMA:
        raise UserError(f"{file}: found results of schema {schema}, expected {SCHEMA}; evaluate the record again")
    try:
        results = typing.cast(Results, _build(Results, data))
    except (KeyError, TypeError, AttributeError) as failure:
        raise UserError(f"{file}: found {failure} missing or of another kind, {again}") from None
    check_values(results, file)
    return results


def _build(kind: Any, value: Any) -> Any:
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is types.UnionType:
        return None if value is None else _build(next(a for a in arguments if a is not type(None)), value)
    if origin is tuple:
        return tuple(_build(arguments[0], v) for v in value)
    if origin is dict:
        return {name: tuple(one) if isinstance(one, list) else one for name, one in value.items()}
    if not dataclasses.is_dataclass(kind):
        return _plain(kind, value)
    hints = typing.get_type_hints(kind)
    given = {f.name: value[f.name] for f in dataclasses.fields(kind) if f.name in value or _required(f)}
    return typing.cast(Any, kind)(**{name: _build(hints[name], one) for name, one in given.items()})


def _plain(kind: Any, value: Any) -> Any:
    """`value` where it is of that plain `kind`; null stands for an infinite number. Raises TypeError."""
    if kind is float:
        value = math.inf if value is None else value
        fits = isinstance(value, int | float) and not isinstance(value, bool)
    else:
        fits = kind not in (str, int, bool) or type(value) is kind
    if not fits:
        raise TypeError(f"{value!r}")
    return value


def _required(field: dataclasses.Field[Any]) -> bool:
    """Whether a file must have it: what came later than the schema has a default, and older files lack it."""
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
