"""Modules that fit on a few screens, functions that fit on one, and calls that can be read: rules of this project."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("harness", "instruments", "procedures", "reports", "simulated")
LONGEST_MODULE, LONGEST_FUNCTION, MOST_PARAMETERS = 300, 60, 6


def too_large(file: Path) -> Iterator[str]:
    """What of a module is larger than it may be."""
    text = file.read_text(encoding="utf-8")
    if text.count("\n") >= LONGEST_MODULE:
        yield f"{file}: {text.count(chr(10))} lines"
    for found in ast.walk(ast.parse(text)):
        if isinstance(found, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (found.end_lineno or 0) - found.lineno + 1
            of = found.args
            parameters = [a.arg for a in (*of.posonlyargs, *of.args, *of.kwonlyargs) if a.arg not in ("self", "cls")]
            if lines >= LONGEST_FUNCTION or len(parameters) > MOST_PARAMETERS:
                yield f"{file}: {found.name} has {lines} lines and {len(parameters)} parameters"


@pytest.mark.parametrize("room", ROOMS)
def test_no_module_or_function_is_too_large(room: str) -> None:
    files = sorted((ROOT / room).rglob("*.py"))
    assert files
    assert [wrong for file in files for wrong in too_large(file)] == []
