"""The files of class tables beside this module: what each says of its source, and how they are read."""

from __future__ import annotations

from importlib.resources import files
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, Field

from instruments.toml_file import read_model


class TablePart(BaseModel):
    """A part of such a file: no key too many, nothing infinite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class TableSource(TablePart):
    """The source of a table of limits. `from_memory`: not found in print, to be checked against the standard itself."""

    text: str = Field(min_length=1)
    from_memory: bool


TableFile = TypeVar("TableFile", bound=TablePart)


def read_table(model: type[TableFile], name: str) -> TableFile:
    """The shipped file `name`. Raises FileProblems, which name file and key."""
    return read_model(model, files(__package__).joinpath(name).read_text(encoding="utf-8"), name)
