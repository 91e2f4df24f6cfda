"""The reference pages that are made from the code leave nothing out."""

from __future__ import annotations

import dataclasses
import re
import typing
from pathlib import Path

import pytest
from pydantic import BaseModel

from docs.generate import keys_of, step_words, told, write_all
from harness.core.plausible_quantities import Current
from harness.evaluation.diagnosis.cause_schema import OwnCauses
from harness.files.bench import Bench
from harness.files.device import Device
from harness.steps import DIRECTIONS, Options, Step
from instruments.profile import Profile


def properties(model: type[BaseModel]) -> set[str]:
    """Every key of every table, as pydantic's own JSON schema lists them."""
    schema = model.model_json_schema()
    tables = [schema, *schema.get("$defs", {}).values()]
    return {key for table in tables for key in table.get("properties", {})}


@pytest.mark.parametrize("model", [Device, Bench, Profile, OwnCauses])
def test_every_key_of_a_file_has_a_row_with_a_meaning(model: type[BaseModel]) -> None:
    rows = [re.split(r"(?<!\\)\|", line)[1:-1] for line in keys_of(model, "x", "").splitlines() if "| `" in line]
    told = {row[0].strip(" `"): row[-1].strip() for row in rows}
    # What accuracies are in is read from their values and refused as a key of a bench file.
    keys = properties(model) - ({"unit"} if model is Bench else set())
    assert set(told) == keys
    assert all(meaning.endswith(".") for meaning in told.values()), told


def test_what_may_stand_for_a_key_is_told_with_its_bounds() -> None:
    assert told(Current, (), {}) == 'text with its unit, such as `"20 mA"`; 1 pA to 100 kA'
    page = keys_of(Device, "device", "")
    (row,) = (line for line in page.splitlines() if line.startswith("| `secondary_turns`"))
    assert "whole number, above 0, at most 1,000,000 | required" in row


def test_no_key_goes_without_a_text() -> None:
    class Silent(BaseModel):
        """A table."""

        key: str

    with pytest.raises(ValueError, match=r"Silent\.key has no docstring"):
        keys_of(Silent, "x", "")


def test_pages_are_written_and_links_in_them_lead_somewhere(tmp_path: Path) -> None:
    write_all(tmp_path)
    pages = {page.name: page.read_text(encoding="utf-8") for page in tmp_path.glob("*.md")}
    links = {name: set(re.findall(r"\]\(#(.+?)\)", text)) for name, text in pages.items()}
    assert any(links.values())
    for name, text in pages.items():
        assert links[name] <= set(re.findall(r"^\((.+)\)=$", text, re.MULTILINE)), name


def test_every_step_and_every_direction_is_told_where_procedures_are_written() -> None:
    """In the how-to by hand, with what is made of a point; in the reference from the code."""
    root = Path(__file__).parents[2]
    page = (root / "docs" / "how-to" / "own-procedure.md").read_text(encoding="utf-8")
    cells = [line.split("|")[1] for line in page.splitlines() if line.startswith("| `")]
    assert [d for cell in cells for d in re.findall(r'`"(\w+)"`', cell)] == list(DIRECTIONS)
    steps = [step.__name__ for step in typing.get_args(Step)]
    assert sorted(name for cell in cells for name in re.findall(r"`(\w+)\(", cell)) == sorted(steps)
    made = step_words()
    assert all(f"`{direction}`" in made for direction in DIRECTIONS)
    assert all(field.name in made for step in (*typing.get_args(Step), Options) for field in dataclasses.fields(step))
