"""TOML files, of users and shipped: read within bounds, checked against a model, every problem reported in one line.

The bounds protect against arbitrary files: size, length of a line, depth of tables, lists and keys, and integers of 64
bits as TOML 1.0.0 has them.
"""

import difflib
import re
import tomllib
from collections.abc import Iterator, Sequence
from typing import Any, Protocol, TypeVar, runtime_checkable

from pydantic import BaseModel, ConfigDict, ValidationError

from instruments.shipped_text import shipped_text

LARGEST_FILE, LONGEST_LINE = 1_000_000, 4000
DEEPEST = 12
MOST_PROBLEMS = 30
"""Lines after which problems are only counted."""

_Model = TypeVar("_Model", bound=BaseModel)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,60}")
_NUMBER_WITH_COMMA = re.compile(r"=\s*[+-]?\d+,\d")
_DATE = re.compile(r"=\s*\d{4}-\d\d-\d\d")
_PART = r"""(?:[A-Za-z0-9_-]++|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*"""
_LONG_KEY = re.compile(rf"(?<![A-Za-z0-9_-])(?:{_PART}){{{DEEPEST}}}")
"""Keys with more parts than any has: tomllib takes a time that grows with their square."""
_WORDS = {
    "missing": "found nothing, expected this key",
    "tuple_type": "expected a list in square brackets",
    "list_type": "expected a list in square brackets",
    "dict_type": "expected a table",
    "model_type": "expected a table",
    "string_type": "expected a text in quotes",
    "int_type": "expected a whole number",
    "int_parsing": "expected a whole number",
    "int_from_float": "expected a whole number",
    "float_type": "expected a number",
    "float_parsing": "expected a number",
    "finite_number": "expected a finite number",
    "bool_type": "expected true or false",
    "bool_parsing": "expected true or false",
}
"""pydantic's names of frequent mistakes, in plain words."""


class FileTable(BaseModel):
    """A table of a file: frozen; unknown keys and infinite numbers are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class FileProblems(Exception):
    """The mistakes in a file; `lines` holds one for each, with file and key."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        super().__init__("\n".join(lines))


@runtime_checkable
class _Several(Protocol):
    """An error of a model that holds several problems: pairs of key (empty for the whole file) and text."""

    problems: Sequence[tuple[str, str]]


def read_shipped(model: type[_Model], package: str, name: str) -> _Model:
    """The shipped file `name` of `package` as `model`. Raises ImportError where it is missing, FileProblems where it is malformed."""
    return read_model(model, shipped_text(package, name), name)


def read_model(model: type[_Model], text: str, name: str) -> _Model:
    """`text` as `model`; `name` is the file named in problems. Raises FileProblems."""
    return as_model(model, read_tables(text, name), name)


def as_model(model: type[_Model], data: dict[str, Any], name: str) -> _Model:
    """The tables `data` as `model`; `name` is the file named in problems. Raises FileProblems."""
    try:
        return model.model_validate(data)
    except ValidationError as failure:
        lines = [line for error in failure.errors() for line in _lines(model, name, error)]
    if len(lines) > MOST_PROBLEMS:
        lines[MOST_PROBLEMS:] = [f"{name}: and {len(lines) - MOST_PROBLEMS} more"]
    raise FileProblems(lines)


def read_tables(text: str, name: str) -> dict[str, Any]:
    """The tables in `text`. Raises FileProblems when it is no TOML, or larger, longer or deeper than such a file is."""
    if len(text) > LARGEST_FILE:
        raise FileProblems([f"{name}: found {len(text)} characters, expected at most {LARGEST_FILE}"])
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            raise FileProblems(
                [f"{name}: found {len(line)} characters in line {number}, expected at most {LONGEST_LINE}"]
            )
        if _LONG_KEY.search(line):
            raise FileProblems([f"{name}: found a key of too many parts in line {number}, expected at most {DEEPEST}"])
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise FileProblems([f"{name}: found tables or lists nested too deep, expected at most {DEEPEST}"]) from None
    except ValueError as failure:
        # TOMLDecodeError, and what Python says of an integer of more than 4300 digits.
        raise FileProblems([f"{name}: not TOML: {_told(failure, text)}"]) from None
    for depth, value in _values(data):
        if depth > DEEPEST:
            raise FileProblems([f"{name}: found tables or lists nested too deep, expected at most {DEEPEST}"])
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            raise FileProblems([f"{name}: found an integer of more than 64 bits, expected a smaller one"])
    return data


def _values(data: object) -> Iterator[tuple[int, object]]:
    """Every value with its depth, without recursion: a value nested too deep must not end the program."""
    left = [(0, data)]
    while left:
        depth, value = left.pop()
        yield depth, value
        if depth <= DEEPEST and isinstance(value, dict | list):
            left += [(depth + 1, inner) for inner in (value.values() if isinstance(value, dict) else value)]


def _told(failure: ValueError, text: str) -> str:
    """The parser's message, with the most frequent mistakes explained."""
    said = " ".join(str(failure).split())
    if "integer string conversion" in said:
        return "an integer of thousands of digits"
    place = re.search(r"at line (\d+)", said)
    line = text.split("\n")[int(place[1]) - 1] if place else ""
    if _NUMBER_WITH_COMMA.search(line):
        said += "; a number has a decimal point, no comma"
    elif _DATE.search(line):
        said += "; expected a day of the calendar, such as 2027-03-29"
    return said


def _lines(model: type[BaseModel], name: str, error: Any) -> list[str]:
    """Describe one problem pydantic found, as lines naming file, key, value found and value expected."""
    raised = error.get("ctx", {}).get("error")
    if isinstance(raised, _Several):
        return [_where(name, key) + text for key, text in raised.problems]
    where, kind, found = _where(name, _key(error["loc"])), error["type"], error["input"]
    if kind == "value_error":
        return [where + " ".join(line.split()) for line in str(raised).splitlines()]
    if kind == "extra_forbidden":
        return [where + "unknown key" + _meant(model, str(error["loc"][-1]))]
    if kind == "missing":
        return [where + _WORDS[kind]]
    if kind.startswith(("date_", "datetime_")):
        return [f"{where}found {shortened(found)}, expected a day of the calendar, such as 2027-03-29"]
    expected = _WORDS.get(kind)
    if expected is None:
        message = error["msg"][0].lower() + error["msg"][1:]
        expected = "expected " + message.removeprefix("input ").removeprefix("should be ")
    elif isinstance(found, str | int) and kind in ("tuple_type", "list_type"):
        expected += f", such as [{shortened(found)}]"
    elif isinstance(found, str) and re.fullmatch(r"[+-]?\d+,\d+", found):
        expected += " with a decimal point instead of the comma"
    return [f"{where}found {shortened(found)}, {expected}"]


def _where(name: str, key: str) -> str:
    return f"{name}: {key}: " if key else f"{name}: "


def _key(location: tuple[int | str, ...]) -> str:
    key = ""
    for part in location:
        written = f"[{part + 1}]" if isinstance(part, int) else part if _BARE_KEY.fullmatch(part) else shortened(part)
        key += f".{written}" if key and isinstance(part, str) else written
    return key


def _meant(model: type[BaseModel], key: str) -> str:
    """A hint at the model's key that was probably meant, or that the key belongs to another table."""
    schema = model.model_json_schema()
    tables = [schema, *schema.get("$defs", {}).values()]
    known = sorted({name for table in tables for name in table.get("properties", {})})
    if key in known:
        return " here: it belongs to another table"
    close = difflib.get_close_matches(key[:60], known, n=1, cutoff=0.75)
    return f" (is {close[0]} meant?)" if close else ""


def shortened(found: object) -> str:
    """The value found, on one line of bounded length."""
    text = repr(found)
    return text if len(text) <= 60 else text[:57] + "..."
