"""The page on results.json names every key the file has."""

import dataclasses
import re
import typing
from pathlib import Path

import pytest

from harness import results
from harness.wording.results_file import WORDS

PAGE = Path(__file__).parents[2] / "reports" / "results.md"


def _kinds(kind: object) -> set[type]:
    """Every dataclass met on the way down from `kind`."""
    if not (isinstance(kind, type) and dataclasses.is_dataclass(kind)):
        return {found for argument in typing.get_args(kind) for found in _kinds(argument)}
    return {kind}.union(*(_kinds(hint) for hint in typing.get_type_hints(kind).values()))


def _tables() -> dict[str, set[str]]:
    """Keys in the first column of the table under each heading."""
    tables: dict[str, set[str]] = {}
    for section in re.split(r"^#+ ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]:
        heading, _, body = section.partition("\n")
        firsts = re.findall(r"^\| (`.*?) \|", body, re.MULTILINE)
        tables[heading] = {key for first in firsts for key in re.findall(r"`(\w+)`", first)}
    return tables


@pytest.mark.parametrize("kind", sorted(_kinds(results.Results), key=lambda k: k.__name__), ids=lambda k: k.__name__)
def test_every_object_has_a_table_of_exactly_its_keys(kind: type) -> None:
    words = {WORDS[kind][0]} if kind in WORDS else set()
    keys = {f.name for f in dataclasses.fields(kind)} | words
    assert keys in _tables().values()
