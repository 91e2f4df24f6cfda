"""Loading of the user's files: TOML to a `Device` or `Bench`, or every problem at once, one line each."""

import unicodedata
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from harness.core.errors import UserError
from harness.files.bench import Bench
from harness.files.device import Device, Table
from instruments.toml_file import FileProblems, as_model, read_tables, shortened

_Model = TypeVar("_Model", bound=Table)
_MAY_HOLD_CONTROLS = ("read_termination", "write_termination")
_MAY_HOLD_LINES = ("address", "statement", "modification", "owner", "modified_by", "text", "look")
_TURNS_TEXT_ROUND = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Characters that make a text read otherwise than it is written (Unicode, UAX 9)."""
_OF_A_PROFILE = {"kind", "role", "title"}
CAUSES_KEYS = {"causes", "ordinary", "without"}
"""Keys of a causes file, whose model is built upon this module."""


def read_text(file: Path) -> str:
    """The text of a user's file. Raises UserError when it cannot be read."""
    try:
        # Some editors put a byte order mark in front.
        return file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as failure:
        reason = failure.strerror if isinstance(failure, OSError) else "is not UTF-8 text"
        raise UserError(f"{file}: {reason or failure}") from None


@lru_cache(maxsize=4)
def parse_device(text: str, name: str) -> Device:
    """The device in `text`; `name` is the file named in problems. Raises UserError."""
    return parse_file(Device, text, name)


@lru_cache(maxsize=4)
def parse_bench(text: str, name: str) -> Bench:
    """The bench in `text`; `name` is the file named in problems. Raises UserError."""
    return parse_file(Bench, text, name)


def parse_file(model: type[_Model], text: str, name: str) -> _Model:
    """The file of the kind `model` in `text`; `name` is the file named in problems. Raises UserError."""
    try:
        data = read_tables(text, name)
        _refuse_other_kinds(model, data, name)
        _refuse_control_characters(data, name)
        return as_model(model, data, name)
    except FileProblems as failure:
        raise UserError(failure.lines) from None


def _refuse_other_kinds(model: type[Table], data: dict[str, Any], name: str) -> None:
    """Report two files given in each other's place in one line. Raises FileProblems."""
    kinds: dict[str, set[str]] = {
        "a device file": set(Device.model_fields),
        "a bench file": set(Bench.model_fields),
        "a file of causes": CAUSES_KEYS,
        "an instrument's profile": _OF_A_PROFILE,
    }
    known = {kind: len(data.keys() & keys) for kind, keys in kinds.items()}
    likeliest = max(known, key=lambda kind: known[kind])
    wanted = next((kind for kind, keys in kinds.items() if keys == set(model.model_fields)), likeliest)
    if known[likeliest] >= 2 and not known[wanted]:
        raise FileProblems([f"{name}: this is {likeliest}, expected {wanted}"])


def _refuse_control_characters(data: object, name: str, key: str = "", path: str = "") -> None:
    """Refuse control characters, since texts are shown on terminals and certificates. Raises FileProblems."""
    if isinstance(data, dict):
        for inner, value in data.items():
            _refuse_control_characters(value, name, inner, f"{path}.{inner}" if path else inner)
    elif isinstance(data, list):
        for number, value in enumerate(data, 1):
            _refuse_control_characters(value, name, key, f"{path}[{number}]")
    elif isinstance(data, str) and key not in _MAY_HOLD_CONTROLS:
        lines = "\n\r\t" if key in _MAY_HOLD_LINES else "\t"
        if any((unicodedata.category(c) == "Cc" and c not in lines) or c in _TURNS_TEXT_ROUND for c in data):
            where = path if path.isprintable() else shortened(path)
            raise FileProblems(
                [f"{name}: {where}: found {shortened(data)}, expected a text without control characters"]
            )
