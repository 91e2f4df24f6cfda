"""Modules and functions of evaluation and results stay of a size that is read in one go."""

import ast
from pathlib import Path

import pytest

HARNESS = Path(__file__).parents[3] / "harness"
MODULES = sorted(p for room in ("evaluation", "results") for p in (HARNESS / room).rglob("*.py"))


@pytest.mark.parametrize("module", MODULES, ids=lambda p: str(p.relative_to(HARNESS)))
def test_a_module_is_short_and_so_are_its_functions(module: Path) -> None:
    text = module.read_text(encoding="utf-8")
    assert len(text.splitlines()) < 300
    for function in (n for n in ast.walk(ast.parse(text)) if isinstance(n, ast.FunctionDef)):
        assert (function.end_lineno or 0) - function.lineno < 60, function.name
        taken = [a for a in (*function.args.args, *function.args.kwonlyargs) if a.arg not in ("self", "cls")]
        assert len(taken) <= 6, function.name
