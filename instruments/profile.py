"""A profile: what one kind of instrument understands, as a TOML file and no code.

A profile says how to identify the instrument, how to make it safe and confirm that, where its errors queue, and
how each quantity is set and read. Commands are SCPI text with `{value}` where a number goes, or Modbus registers.
Unknown keys are refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, model_validator

from instruments.profile_tables import (
    UNITS,
    ErrorQueue,
    Identification,
    Quantity,
    Register,
    Safe,
    SerialRegisters,
    Switching,
    Trigger,
    Watchdog,
)
from instruments.toml_file import FileProblems, FileTable, read_model

SHIPPED = Path(__file__).parent / "profiles"

ProfileRole = Literal["load", "reference", "meter", "switch", "environment"]
READS_ELSEWHERE = {"secondary": "current", "check_standard": "current", "voltage": "voltage"}
"""Functions on a bench that no profile names for itself, and the quantity read for each."""


class ProfileError(Exception):
    """A profile is missing or malformed; the message has one line per problem, naming file and key."""


class Profile(FileTable):
    """One kind of instrument: what it understands."""

    kind: Literal["scpi", "modbus"]
    """How it is addressed: text commands (SCPI) or Modbus registers."""
    role: ProfileRole
    """Its function on the bench."""
    also: tuple[ProfileRole, ...] = ()
    """Further functions it can have. What reads as a reference or a meter can also be the bench's `secondary` and
    `check_standard` (with current) and `voltage` (with voltage).
    """
    title: str
    """A name for people."""
    read_termination: str = Field(default="\n", min_length=1)
    """What ends a reply; a CR before it is accepted."""
    write_termination: str = "\n"
    """What ends a message."""
    identification: Identification = Identification()
    """How it says who it is."""
    errors: ErrorQueue | None = None
    """How its error queue is read."""
    start: tuple[str, ...] = ()
    """Commands sent after opening."""
    safe: Safe = Safe()
    """Its safe state."""
    on: tuple[str, ...] = ()
    """Commands that switch a load's output on."""
    trigger: Trigger | None = None
    """How a measurement is started."""
    watchdog: Watchdog | None = None
    """A load's own watchdog, where it has one."""
    quantities: dict[str, Quantity] = Field(default_factory=dict)
    """One table `[quantities.NAME]` for each quantity of a SCPI instrument."""
    registers: dict[str, Register] = Field(default_factory=dict)
    """One table `[registers.NAME]` for each quantity of a Modbus instrument."""
    serial_registers: SerialRegisters | None = None
    """Where a Modbus instrument has its serial number."""
    switching: Switching | None = None
    """How a relay is moved."""

    @model_validator(mode="after")
    def _complete(self) -> Profile:
        problems = [
            *_brace_problems(self),
            *_quantity_problems(self),
            *_role_problems(self),
            *_trigger_problems(self),
        ]
        if problems:
            raise ValueError("\n".join(problems))
        return self

    @property
    def table(self) -> str:
        """The table of what it reads: quantities of a SCPI instrument, registers of a Modbus one."""
        return "registers" if self.kind == "modbus" else "quantities"

    def plays(self, role: str) -> bool:
        """Whether an instrument of this kind can play `role`.

        What reads as a reference or a meter can also be put where else its quantity is read (`READS_ELSEWHERE`).
        """
        roles = {self.role, *self.also}
        if role in READS_ELSEWHERE:
            return bool(roles & {"reference", "meter"}) and READS_ELSEWHERE[role] in {*self.quantities, *self.registers}
        return role in roles


def _brace_problems(profile: Profile) -> list[str]:
    trigger = profile.trigger
    places = {"start": profile.start, "on": profile.on, "trigger": (*trigger.arm, *trigger.fire) if trigger else ()}
    return [
        f"{key}: found {command!r}, expected a command without braces"
        for key, commands in places.items()
        for command in commands
        if "{" in command or "}" in command
    ]


def _quantity_problems(profile: Profile) -> list[str]:
    """Problems of the quantities, each as ``key: found ..., expected ...``."""
    table, other = profile.table, "quantities" if profile.kind == "modbus" else "registers"
    problems = [f"{other}: found it, expected {table} here"] if getattr(profile, other) else []
    for name, entry in getattr(profile, table).items():
        if name not in UNITS:
            problems.append(f"{table}.{name}: found an unknown quantity, expected one of {', '.join(UNITS)}")
        elif entry.unit != UNITS[name]:
            problems.append(f"{table}.{name}.unit: found {entry.unit!r}, expected {UNITS[name]!r}")
    return problems


def _role_problems(profile: Profile) -> list[str]:
    table, scpi = profile.table, profile.kind == "scpi"
    has: dict[str, Any] = getattr(profile, table)
    roles = (profile.role, *profile.also)
    problems = []
    if not scpi and (unfit := [r for r in roles if r in ("load", "switch")]):
        problems.append(f"role: found {unfit[0]!r}, expected one that only reads: registers are never written")
    if "switch" in roles and scpi and profile.switching is None:
        problems.append("switching: found nothing, expected how the relay is moved")
    if "environment" in roles and not {"temperature", "relative_humidity"} & set(has):
        problems.append(f"{table}.temperature: found nothing, expected temperature, relative_humidity or both")
    if {"load", "reference", "meter"} & set(roles):
        current = has.get("current")
        if current is None:
            problems.append(f"{table}.current: found nothing, expected how the current is set or read")
        elif scpi and not current.get:
            problems.append(f"{table}.current.get: found nothing, expected how the current is read")
        if "load" in roles and current is not None and scpi and not current.set:
            problems.append(f"{table}.current.set: found nothing, expected how the load's current is set")
    if profile.watchdog is not None and not ("load" in roles and scpi):
        problems.append("watchdog: found it, expected none: only a SCPI load is switched off by one")
    if "load" in roles and scpi:
        needed = {"safe.commands": profile.safe.commands, "safe.confirm": profile.safe.confirm, "on": profile.on}
        expected = "expected it: a load must be switched off, asked, and on"
        problems += [f"{key}: found nothing, {expected}" for key, value in needed.items() if not value]
    elif scpi and not profile.safe.confirm:
        settable = (name for name, quantity in profile.quantities.items() if quantity.set)
        problems += [
            f"safe.confirm: found nothing, expected it since quantities.{name} can be set" for name in settable
        ]
    return problems


def _trigger_problems(profile: Profile) -> list[str]:
    if profile.trigger is not None:
        return []
    return [
        f"quantities.{name}.get: found {quantity.get!r} without [trigger], expected READ? or MEASure?: "
        "FETCh? may repeat an old reading"
        for name, quantity in profile.quantities.items()
        if quantity.fetches
    ]


@cache
def load_profile(name: str, folders: Sequence[Path] = ()) -> Profile:
    """Load the profile `name`, from `folders` first and then the shipped ones. Raises ProfileError when it is missing or malformed."""
    tried = [folder / f"{name}.toml" for folder in (*folders, SHIPPED)]
    file = next((f for f in tried if f.is_file()), None)
    if file is None:
        shipped = ", ".join(sorted(f.stem for f in SHIPPED.glob("*.toml")))
        raise ProfileError(
            f"profile {name!r} not found, expected person, {shipped} or a file {name}.toml in the bench file's folder"
        )
    try:
        return read_model(Profile, file.read_text(encoding="utf-8"), str(file))
    except UnicodeDecodeError as failure:
        raise ProfileError(f"{file}: not TOML: {failure}") from None
    except OSError as failure:
        raise ProfileError(f"{file}: cannot be read: {failure.strerror}") from None
    except FileProblems as failure:
        raise ProfileError("\n".join(failure.lines)) from None
