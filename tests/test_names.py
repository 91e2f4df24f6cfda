"""One name, one thing: no class, no type and no public function of the product has the name of another."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
ROOMS = ("harness", "instruments", "procedures", "reports", "simulated")


def modules() -> Iterator[tuple[str, ast.Module]]:
    """Every module of the product by its path."""
    for room in ROOMS:
        for file in sorted((ROOT / room).rglob("*.py")):
            yield file.relative_to(ROOT).as_posix(), ast.parse(file.read_text(encoding="utf-8"))


def named_types(tree: ast.Module) -> Iterator[str]:
    """Its classes, and what it names like a class at its top: other names of types."""
    yield from (found.name for found in ast.walk(tree) if isinstance(found, ast.ClassDef))
    for line in tree.body:
        for target in line.targets if isinstance(line, ast.Assign) else ():
            name = target.id if isinstance(target, ast.Name) else ""
            if name[:1].isupper() and not name.isupper():
                yield name


def test_no_two_types_of_the_product_have_the_same_name() -> None:
    """Who reads `Transformer` must know which: the one described in a file, or the one that is simulated."""
    where = defaultdict(list)
    for path, tree in modules():
        for name in named_types(tree):
            where[name].append(path)
    assert len(where) > 300
    assert {name: paths for name, paths in where.items() if len(paths) > 1} == {}


ONE_MEANING = {
    # Every command has one, called by the name of its module.
    "add_parser",
    # A quantity and its model in the validation by Monte Carlo.
    "effective_turns",
    "phase_displacement",
    "reading_factor",
    # A text that was found in a file, once for files of the house and once for `instruments`, which may not import the other.
    "shortened",
}


def test_no_two_public_functions_have_the_same_name_and_two_meanings() -> None:
    where = defaultdict(list)
    for path, tree in modules():
        for line in tree.body:
            if isinstance(line, ast.FunctionDef) and not line.name.startswith("_"):
                where[line.name].append(path)
    assert len(where) > 500
    several = {name: paths for name, paths in where.items() if len(paths) > 1}
    assert {name: paths for name, paths in several.items() if name not in ONE_MEANING} == {}
    assert several.keys() >= ONE_MEANING
