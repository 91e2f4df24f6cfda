"""A profile: what one kind of instrument understands, as a TOML file and no code.

A profile says how to identify the instrument, how to make it safe and confirm that, where its errors queue, and
how each quantity is set and read. Commands are SCPI text with `{value}` where a number goes, or Modbus registers.
Unknown keys are refused.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

SHIPPED = Path(__file__).parent / "profiles"


class ProfileError(Exception):
    """A profile is missing or malformed; the message names the file and the key."""


class Part(BaseModel):
    """A table of a profile: frozen, unknown keys are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Confirmation(Part):
    """A query and the reply (stripped text) that confirms a state."""

    query: str
    expect: tuple[str, ...]


class Identification(Part):
    """The query whose comma-separated reply holds maker, model, serial and firmware; `serial_field` counts from 0."""

    query: str = "*IDN?"
    serial_field: int = Field(default=2, ge=0)


class ErrorQueue(Part):
    """The query that takes one entry off the error queue; an entry starting with 0 means empty."""

    query: str = "SYSTem:ERRor?"


class Safe(Part):
    """Commands that bring the instrument to its safe state, and how to confirm it got there."""

    commands: tuple[str, ...] = ()
    confirm: tuple[Confirmation, ...] = ()

    @model_validator(mode="after")
    def _plain(self) -> Safe:
        for command in self.commands + tuple(c.query for c in self.confirm):
            if "{" in command or "}" in command:
                raise ValueError(f"found {command!r}, expected a safe command without braces")
        return self


class Quantity(Part):
    """How one quantity is configured, set and read. Values in `unit`; `set` and `configure` carry `{value}`."""

    unit: Literal["A", "V", "W", "Hz", "1", "deg"]
    configure: tuple[str, ...] = ()
    set: tuple[str, ...] = ()
    get: str = ""
    protect: tuple[str, ...] = ()
    minimum: float = 0.0
    maximum: float = Field(default=float("inf"), gt=0)

    @model_validator(mode="after")
    def _placeholders(self) -> Quantity:
        for command in self.set + self.protect:
            if "{value}" not in command:
                raise ValueError(f"found {command!r}, expected a command with {{value}} in it")
        return self


class Register(Part):
    """Where a quantity stands in a Modbus register map: value in `unit` = number read x `scale`."""

    unit: Literal["A", "V", "W", "Hz", "1", "deg"]
    address: int = Field(ge=0, le=65535)
    function: Literal["holding", "input"] = "input"
    type: Literal["uint16", "int16", "uint32", "int32", "float32"] = "float32"
    word_order: Literal["big", "little"] = "big"
    scale: float = Field(default=1.0, gt=0)


class SerialRegisters(Part):
    """Where the serial number stands: an unsigned number over two registers."""

    address: int = Field(ge=0, le=65535)
    function: Literal["holding", "input"] = "holding"


class Switching(Part):
    """How a relay moves to a position and tells where it is; `{position}` is the bench file's text for the range."""

    select: tuple[str, ...]
    query: str
    selected: tuple[str, ...] = ("1",)


class Profile(Part):
    """One kind of instrument. `kind` says how it is spoken to, `role` what it can do on the bench."""

    kind: Literal["scpi", "modbus"]
    role: Literal["load", "reference", "meter", "switch"]
    title: str
    read_termination: str = "\n"
    write_termination: str = "\n"
    identification: Identification = Identification()
    errors: ErrorQueue | None = None
    start: tuple[str, ...] = ()
    safe: Safe = Safe()
    on: tuple[str, ...] = ()
    quantities: dict[str, Quantity] = Field(default_factory=dict)
    registers: dict[str, Register] = Field(default_factory=dict)
    serial_registers: SerialRegisters | None = None
    switching: Switching | None = None

    @model_validator(mode="after")
    def _complete(self) -> Profile:
        if self.kind == "modbus" and "current" not in self.registers:
            raise ValueError("found no registers.current, expected where the current stands")
        if self.kind == "scpi" and self.role == "switch" and self.switching is None:
            raise ValueError("found no [switching], expected how the relay is moved")
        if self.kind == "scpi" and self.role != "switch" and "current" not in self.quantities:
            raise ValueError("found no quantities.current, expected how the current is set or read")
        if self.role == "load" and not (self.safe.commands and self.safe.confirm and self.on):
            raise ValueError("found a load without safe.commands, safe.confirm and on, expected all three")
        return self


@cache
def load_profile(name: str, folders: Sequence[Path] = ()) -> Profile:
    """The profile called `name`, looked for in `folders` first and then among the shipped ones.

    Raises ProfileError when it is not found or malformed.
    """
    tried = [folder / f"{name}.toml" for folder in (*folders, SHIPPED)]
    file = next((f for f in tried if f.is_file()), None)
    if file is None:
        shipped = ", ".join(sorted(f.stem for f in SHIPPED.glob("*.toml")))
        raise ProfileError(
            f"profile {name!r} not found, expected person, {shipped} or a file {name}.toml beside the bench file"
        )
    try:
        return Profile.model_validate(tomllib.loads(file.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as failure:
        raise ProfileError(f"{file}: not TOML: {failure}") from None
    except ValidationError as failure:
        lines = [f"{file}: {'.'.join(map(str, e['loc'])) or 'profile'}: {e['msg']}" for e in failure.errors()]
        raise ProfileError("\n".join(lines)) from None
