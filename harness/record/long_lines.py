"""Lines of a record too long for memory: where each stands in its file, from which it is read whenever it is asked for."""

from __future__ import annotations

import json
from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, overload

from pydantic_core import SchemaValidator, core_schema, from_json

from harness.core.errors import RecordError

CHAIN_KEYS = ("line", "kind", "previous", "hash")
"""Keys by which a line stands in its record."""
AT_ONCE = 2**18
"""Bytes read from a file at a time."""

_only_chain_keys = SchemaValidator(
    core_schema.typed_dict_schema(
        {key: core_schema.typed_dict_field(core_schema.any_schema(), required=False) for key in CHAIN_KEYS},
        extra_behavior="ignore",
    )
).validate_json


def json_value(raw: bytes) -> Any:
    """The value of JSON text as `json.loads` reads it, in less than half its time. Raises ValueError or RecursionError as it does."""
    # Versions 2.18 of pydantic-core join two escaped surrogates wrongly.
    if b"\\u" not in raw:
        try:
            return from_json(raw)
        except ValueError:
            # Below, what only the standard library takes: lone surrogates, other encodings, deep nesting.
            pass
    return json.loads(raw)


def chain_keys(raw: bytes) -> Any:
    """`CHAIN_KEYS` of `json_value(raw)` in half its time, or what is no object: all of the text is read, but the rest is not kept.

    Raises ValueError or RecursionError as `json_value` does.
    """
    if b"\\u" not in raw:
        try:
            return _only_chain_keys(raw)
        except ValueError:
            pass
    value = json_value(raw)
    return {key: value[key] for key in CHAIN_KEYS if key in value} if isinstance(value, dict) else value


class LongLines(Sequence[dict[str, Any]]):
    """The lines of `file`, told in turn by `append` as they are first read; ends are kept, the others are read again.

    Raises RecordError where a line read again is not the one it was; more may have been appended.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        self._starts = array("Q")
        self._hashes = array("q")
        self._end = 0
        self._of_kind: dict[str, array[int]] = defaultdict(lambda: array("L"))
        self._first: dict[str, Any] = {}
        self._last = b""

    def append(self, line: dict[str, Any], raw: bytes) -> None:
        """A line of which `line` holds the kind stands next in the file, as `raw`."""
        self._of_kind[str(line.get("kind"))].append(len(self._starts))
        if not self._starts:
            self._first = json_value(raw)
        self._last = raw
        self._starts.append(self._end)
        # Of 64 bits, keyed anew in every process: no file can be prepared for it.
        self._hashes.append(hash(raw))
        self._end += len(raw)

    def of_kind(self, *kinds: str) -> Iterator[dict[str, Any]]:
        """The lines of `kinds` in their order."""
        return self._read(sorted(number for kind in set(kinds) for number in self._of_kind.get(kind, ())))

    def __len__(self) -> int:
        return len(self._starts)

    def __iter__(self) -> Iterator[dict[str, Any]]:
        return self._read(range(len(self)))

    @overload
    def __getitem__(self, place: int) -> dict[str, Any]: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[dict[str, Any], ...]: ...
    def __getitem__(self, place: int | slice) -> dict[str, Any] | tuple[dict[str, Any], ...]:
        numbers = range(len(self))[place]
        if isinstance(numbers, range):
            return tuple(self._read(numbers))
        if numbers in (0, len(self) - 1):
            return json_value(self._last) if numbers else self._first
        return next(self._read([numbers]))

    def _read(self, numbers: Iterable[int]) -> Iterator[dict[str, Any]]:
        with self._file.open("rb", buffering=AT_ONCE) as stream:
            after = 0
            for number in numbers:
                if number != after:
                    stream.seek(self._starts[number])
                raw = stream.readline()
                if hash(raw) != self._hashes[number]:
                    raise RecordError(f"{self._file}: line {number + 1} was changed while it was read; read it again")
                yield json_value(raw)
                after = number + 1
