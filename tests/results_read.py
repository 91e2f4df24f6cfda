"""Results read back from `results.json`: what the program writes and only tests read."""

import dataclasses
import json
import types
import typing
from pathlib import Path
from typing import Any

from harness.results import SCHEMA, Results


def from_json(text: str) -> Results:
    """The results in `text` as written by `to_json`. Raises ValueError for another schema: a record is kept, so it is evaluated again."""
    data = json.loads(text)
    schema = data.get("schema") if isinstance(data, dict) else None
    if schema != SCHEMA:
        raise ValueError(
            f"results of schema {schema}, expected {SCHEMA}: evaluate the record again (ratioproof certify)"
        )
    return typing.cast(Results, _build(Results, data))


def read_results(file: Path) -> Results:
    """The results in `file`."""
    return from_json(file.read_text(encoding="utf-8"))


def _build(kind: Any, value: Any) -> Any:
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is types.UnionType:
        return None if value is None else _build(next(a for a in arguments if a is not type(None)), value)
    if origin is tuple:
        return tuple(_build(arguments[0], v) for v in value)
    if origin is dict:
        return {name: tuple(one) if isinstance(one, list) else one for name, one in value.items()}
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return typing.cast(Any, kind)(
            **{
                f.name: _build(hints[f.name], value[f.name])
                for f in dataclasses.fields(kind)
                if f.name in value or _required(f)
            }
        )
    return value


def _required(field: dataclasses.Field[Any]) -> bool:
    """Whether a file must have it: what came later than the schema has a default, and older files lack it."""
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
