"""Reading the user's files: TOML to a `Device` or `Bench`, or every problem at once, one line each."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.bench import Bench
from harness.causes.schema import Catalogue, OwnCauses
from harness.contradictions import Contradictions
from harness.device import Device, Table
from harness.errors import UserError

_Model = TypeVar("_Model", bound=Table)


def read_text(file: Path) -> str:
    """The text of a user's file. Raises UserError when it cannot be read."""
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as failure:
        reason = failure.strerror if isinstance(failure, OSError) else "is not UTF-8 text"
        raise UserError(f"{file}: {reason or failure}") from None


def parse_device(text: str, name: str) -> Device:
    """The device in `text`; `name` is the file named in problems. Raises UserError."""
    return _parse(Device, text, name)


def parse_bench(text: str, name: str) -> Bench:
    """The bench in `text`; `name` is the file named in problems. Raises UserError."""
    return _parse(Bench, text, name)


def parse_causes(text: str, name: str) -> OwnCauses:
    """A user's causes in `text`; `name` is the file named in problems. Raises UserError."""
    return _parse(OwnCauses, text, name)


def parse_catalogue(text: str, name: str) -> Catalogue:
    """The whole catalogue in `text`; `name` is the file named in problems. Raises UserError."""
    return _parse(Catalogue, text, name)


def _parse(model: type[_Model], text: str, name: str) -> _Model:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as failure:
        raise UserError(f"{name}: not TOML: {failure}") from None
    try:
        return model.model_validate(data)
    except ValidationError as failure:
        raise UserError([line for error in failure.errors() for line in _lines(name, error)]) from None


def _lines(name: str, error: Any) -> list[str]:
    """Each problem on one line: file, key, what was found, what is expected."""
    raised = error.get("ctx", {}).get("error")
    if isinstance(raised, Contradictions):
        return [_where(name, key) + text for key, text in raised.problems]
    return [_line(name, error)]


def _where(name: str, key: str) -> str:
    return f"{name}: {key}: " if key else f"{name}: "


def _line(name: str, error: Any) -> str:
    where = _where(name, _key(error["loc"]))
    kind, found = error["type"], error["input"]
    if kind == "extra_forbidden":
        return f"{where}found a key nobody knows, expected none of this name here"
    if kind == "missing":
        return f"{where}found nothing, expected this key"
    if kind == "value_error":
        return where + " ".join(str(error["ctx"]["error"]).split())
    message = error["msg"][0].lower() + error["msg"][1:]
    return f"{where}found {_short(found)}, expected: {message.removeprefix('input ').removeprefix('should be ')}"


def _key(location: tuple[int | str, ...]) -> str:
    key = ""
    for part in location:
        key += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if key else part
    return key


def _short(found: object) -> str:
    text = repr(found)
    return text if len(text) <= 60 else text[:57] + "..."
