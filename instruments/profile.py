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

from pydantic import BaseModel, ConfigDict, Field, model_validator

from instruments.toml_file import FileProblems, read_model

SHIPPED = Path(__file__).parent / "profiles"

UNITS = {
    "current": "A",
    "voltage": "V",
    "power": "W",
    "apparent_power": "VA",
    "reactive_power": "var",
    "power_factor": "1",
    "frequency": "Hz",
    "phase": "deg",
    "energy": "J",
    "temperature": "degC",
    "relative_humidity": "%",
}
"""Every quantity a profile may have, and the unit it is in."""

Unit = Literal["A", "V", "W", "VA", "var", "1", "Hz", "deg", "J", "degC", "%"]
Role = Literal["load", "reference", "meter", "switch", "environment"]
READS_ELSEWHERE = {"secondary": "current", "check_standard": "current", "voltage": "voltage"}
"""Parts on a bench that no profile names for itself, and the quantity each is read for."""
Order = Literal["big", "little"]
Function = Literal["holding", "input"]
NumberType = Literal["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"]


class ProfileError(Exception):
    """A profile is missing or malformed; the message has one line per problem, naming file and key."""


class Part(BaseModel):
    """A table of a profile: frozen; unknown keys and infinite numbers are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Confirmation(Part):
    """A query and the reply that confirms a state."""

    query: str
    """What is asked."""
    expect: tuple[str, ...] = Field(min_length=1)
    """Replies that confirm, without surrounding blanks."""


class Identification(Part):
    """How the instrument says who it is."""

    query: str = "*IDN?"
    """Its reply holds maker, model, serial number and firmware between commas."""
    serial_field: int = Field(default=2, ge=0)
    """Which of these parts is the serial number, counted from 0."""


class ErrorQueue(Part):
    """How the error queue is read. Without this table nothing tells that a command was not understood."""

    query: str = "SYSTem:ERRor?"
    """Takes one entry off the queue. An entry begins with its number, 0 for none, followed by a comma or a blank."""


class Safe(Part):
    """The safe state: sent first at every start and last at every end. A load needs both keys."""

    commands: tuple[str, ...] = ()
    """Commands that bring the instrument into its safe state."""
    confirm: tuple[Confirmation, ...] = ()
    """Queries that confirm it."""

    @model_validator(mode="after")
    def _plain(self) -> Safe:
        for command in self.commands + tuple(c.query for c in self.confirm):
            if "{" in command or "}" in command:
                raise ValueError(f"found {command!r}, expected a safe command without braces")
        return self


class Trigger(Part):
    """How one measurement is started, which quantities with `get = "FETCh?"` then read. FETCh? without it is refused, since it may repeat an old reading."""

    arm: tuple[str, ...] = ()
    """Commands that prepare for a measurement."""
    fire: tuple[str, ...] = Field(min_length=1)
    """Commands that start it."""


class Watchdog(Part):
    """A load's own watchdog: it switches off unless it is fed in time. It acts where no guard process can. If the
    load then keeps its output locked, put the command that frees it into `start`.
    """

    seconds: float = Field(gt=0, le=3600)
    """How long it waits."""
    arm: tuple[str, ...] = Field(min_length=1)
    """Commands that arm it, before `on`; `{value}` is where the seconds go."""
    feed: tuple[str, ...] = Field(min_length=1)
    """Commands that feed it, a quarter of `seconds` apart, while the load is on and the run at work."""
    disarm: tuple[str, ...] = Field(min_length=1)
    """Commands that disarm it, once off is confirmed."""

    @model_validator(mode="after")
    def _plain(self) -> Watchdog:
        for key, commands, allowed in (
            ("arm", self.arm, "value"),
            ("feed", self.feed, ""),
            ("disarm", self.disarm, ""),
        ):
            for command in commands:
                if not _fits(command, allowed):
                    expected = "no braces but {value}" if allowed else "no braces"
                    raise ValueError(f"found {command!r} in {key}, expected {expected}")
                if "?" in command:
                    raise ValueError(f"found {command!r} in {key}, expected a command that is not answered")
        return self


class Quantity(Part):
    """How one quantity is configured, set, limited and read over text; values in `unit`."""

    unit: Unit
    """Unit of the quantity, as in the table of quantities."""
    configure: tuple[str, ...] = ()
    """Commands that go to a range; `{value}` is its `full_scale` in the bench file."""
    set: tuple[str, ...] = ()
    """Commands that set the quantity; `{value}` is where the number goes."""
    get: str = ""
    """Query that reads the quantity. One `get` for two quantities reads the one configured last."""
    protect: tuple[str, ...] = ()
    """Commands that set the instrument's own limit; `{value}` is where the number goes."""
    protect_get: str = ""
    """Query that reads that limit."""
    minimum: float = 0.0
    """Smallest value that may be set."""
    maximum: float = float("inf")
    """Largest value that may be set."""

    @model_validator(mode="after")
    def _consistent(self) -> Quantity:
        for key, commands in (("set", self.set), ("protect", self.protect), ("configure", self.configure)):
            for command in commands:
                if key != "configure" and "{value}" not in command:
                    raise ValueError(f"found {command!r} in {key}, expected a command with {{value}} in it")
                if not _fits(command, "value"):
                    raise ValueError(f"found {command!r} in {key}, expected no braces but {{value}}")
        for key, query in (("get", self.get), ("protect_get", self.protect_get)):
            if query and "?" not in query:
                raise ValueError(f"found {key} = {query!r}, expected a query (it ends in ?)")
        if self.maximum <= self.minimum:
            raise ValueError(f"found maximum {self.maximum:g} not above minimum {self.minimum:g}, expected it above")
        return self

    @property
    def fetches(self) -> bool:
        """Whether `get` is FETCh?, which repeats the last measurement instead of making one (SCPI-99, measurement instructions)."""
        words = [unit.strip().lstrip(":").split(":")[0].split("?")[0] for unit in self.get.split(";")]
        return any(word.upper() in ("FETC", "FETCH") for word in words)


class Register(Part):
    """Where a quantity is in a Modbus register map: value in `unit` = number read times `scale`."""

    unit: Unit
    """Unit of the quantity, as in the table of quantities."""
    address: int = Field(ge=0, le=65535)
    """Address of the first register."""
    function: Function = "input"
    """Input registers or holding registers."""
    type: NumberType = "float32"
    """Type of the number."""
    word_order: Order = "big"
    """Which register of several comes first."""
    byte_order: Order = "big"
    """Which byte of a register comes first."""
    scale: float = Field(default=1.0, gt=0)
    """Units per count."""


class SerialRegisters(Part):
    """Where a Modbus instrument has its serial number."""

    address: int = Field(ge=0, le=65535)
    """Address of the first register."""
    function: Function = "holding"
    """Input registers or holding registers."""
    type: Literal["uint16", "uint32", "uint64", "ascii"] = "uint32"
    """An unsigned number, or `ascii`: text of two characters in each register."""
    word_order: Order = "big"
    """Which register of several comes first."""
    byte_order: Order = "big"
    """Which byte of a register comes first."""
    count: int = Field(default=8, ge=1, le=125)
    """Registers of an `ascii` serial number."""


class Switching(Part):
    """How a relay moves to a position and tells where it is."""

    select: tuple[str, ...] = Field(min_length=1)
    """Commands that move it; `{position}` is the bench file's text for the range."""
    query: str
    """Query that asks for a position; `{position}` as above."""
    selected: tuple[str, ...] = ("1",)
    """Replies that mean that this position is selected."""

    @model_validator(mode="after")
    def _placeholders(self) -> Switching:
        for command in (*self.select, self.query):
            if not _fits(command, "position"):
                raise ValueError(f"found {command!r}, expected no braces but {{position}}")
        if not any("{position}" in command for command in self.select):
            raise ValueError("found no {position} in select, expected it in one of the commands")
        return self


class Profile(Part):
    """One kind of instrument: what it understands."""

    kind: Literal["scpi", "modbus"]
    """How it is addressed: text commands (SCPI) or Modbus registers."""
    role: Role
    """Its function on the bench."""
    also: tuple[Role, ...] = ()
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

    def plays(self, role: str) -> bool:
        """Whether an instrument of this kind can play `role`.

        What reads as a reference or a meter can also be put where else its quantity is read (`READS_ELSEWHERE`).
        """
        roles = {self.role, *self.also}
        if role in READS_ELSEWHERE:
            return bool(roles & {"reference", "meter"}) and READS_ELSEWHERE[role] in {*self.quantities, *self.registers}
        return role in roles


def _fits(command: str, placeholder: str) -> bool:
    """Whether braces stand in `command` only around `placeholder`."""
    rest = command.replace("{" + placeholder + "}", "") if placeholder else command
    return "{" not in rest and "}" not in rest


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
    """Each as ``key: found ..., expected ...``."""
    table = "registers" if profile.kind == "modbus" else "quantities"
    other = profile.quantities if profile.kind == "modbus" else profile.registers
    problems = (
        [f"{'quantities' if profile.kind == 'modbus' else 'registers'}: found it, expected {table} here"]
        if other
        else []
    )
    here: dict[str, Any] = dict(profile.registers if profile.kind == "modbus" else profile.quantities)
    for name, entry in here.items():
        if name not in UNITS:
            problems.append(f"{table}.{name}: found an unknown quantity, expected one of {', '.join(UNITS)}")
        elif entry.unit != UNITS[name]:
            problems.append(f"{table}.{name}.unit: found {entry.unit!r}, expected {UNITS[name]!r}")
    return problems


def _role_problems(profile: Profile) -> list[str]:
    table = "registers" if profile.kind == "modbus" else "quantities"
    has: dict[str, Any] = dict(profile.registers if profile.kind == "modbus" else profile.quantities)
    roles = (profile.role, *profile.also)
    problems = []
    if profile.kind == "modbus" and (unfit := [r for r in roles if r in ("load", "switch")]):
        problems.append(f"role: found {unfit[0]!r}, expected one that only reads: registers are never written")
    if "switch" in roles and profile.kind == "scpi" and profile.switching is None:
        problems.append("switching: found nothing, expected how the relay is moved")
    if "environment" in roles and not {"temperature", "relative_humidity"} & set(has):
        problems.append(f"{table}.temperature: found nothing, expected temperature, relative_humidity or both")
    if {"load", "reference", "meter"} & set(roles):
        current = has.get("current")
        if current is None:
            problems.append(f"{table}.current: found nothing, expected how the current is set or read")
        elif profile.kind == "scpi" and not current.get:
            problems.append(f"{table}.current.get: found nothing, expected how the current is read")
        if "load" in roles and current is not None and profile.kind == "scpi" and not current.set:
            problems.append(f"{table}.current.set: found nothing, expected how the load's current is set")
    if profile.watchdog is not None and not ("load" in roles and profile.kind == "scpi"):
        problems.append("watchdog: found it, expected none: only a SCPI load is switched off by one")
    if "load" in roles and profile.kind == "scpi":
        for key, value in (
            ("safe.commands", profile.safe.commands),
            ("safe.confirm", profile.safe.confirm),
            ("on", profile.on),
        ):
            if not value:
                problems.append(f"{key}: found nothing, expected it: a load must be switched off, asked, and on")
    elif profile.kind == "scpi" and not profile.safe.confirm:
        for name, quantity in profile.quantities.items():
            if quantity.set:
                problems.append(f"safe.confirm: found nothing, expected it since quantities.{name} can be set")
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
        return read_model(Profile, file.read_text(encoding="utf-8"), str(file))
    except UnicodeDecodeError as failure:
        raise ProfileError(f"{file}: not TOML: {failure}") from None
    except OSError as failure:
        raise ProfileError(f"{file}: cannot be read: {failure.strerror}") from None
    except FileProblems as failure:
        raise ProfileError("\n".join(failure.lines)) from None
