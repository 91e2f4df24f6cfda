"""The tables of a profile: commands, quantities and registers of one kind of instrument, each with what may stand in it."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from instruments.toml_file import FileTable

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
Order = Literal["big", "little"]
Function = Literal["holding", "input"]
NumberType = Literal["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"]


class Confirmation(FileTable):
    """A query and the reply that confirms a state."""

    query: str
    """What is asked."""
    expect: tuple[str, ...] = Field(min_length=1)
    """Replies that confirm, without surrounding blanks."""


class Identification(FileTable):
    """How the instrument says who it is."""

    query: str = "*IDN?"
    """Its reply holds maker, model, serial number and firmware between commas."""
    serial_field: int = Field(default=2, ge=0)
    """Which of these parts is the serial number, counted from 0."""


class ErrorQueue(FileTable):
    """How the error queue is read. Without this table nothing tells that a command was not understood."""

    query: str = "SYSTem:ERRor?"
    """Takes one entry off the queue. An entry begins with its number, 0 for none, followed by a comma or a blank."""


class Safe(FileTable):
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


class Trigger(FileTable):
    """How one measurement is started, which quantities with `get = "FETCh?"` then read. FETCh? without it is refused, since it may repeat an old reading."""

    arm: tuple[str, ...] = ()
    """Commands that prepare for a measurement."""
    fire: tuple[str, ...] = Field(min_length=1)
    """Commands that start it."""


class Watchdog(FileTable):
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


class Quantity(FileTable):
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

    @cached_property
    def fetches(self) -> bool:
        """Whether `get` is FETCh?, which repeats the last measurement instead of making one (SCPI-99, measurement instructions)."""
        words = [unit.strip().lstrip(":").split(":")[0].split("?")[0] for unit in self.get.split(";")]
        return any(word.upper() in ("FETC", "FETCH") for word in words)


def _addressable(address: int) -> int:
    if not 0 <= address <= 65535:
        raise ValueError(
            f"found {address}, expected 0 to 65535, counted from 0 as on the line (a manual's register 40001, 400001 or 1 is 0)"
        )
    return address


RegisterAddress = Annotated[int, AfterValidator(_addressable)]
"""MODBUS Application Protocol Specification V1.1b3, section 4.4."""


class Register(FileTable):
    """Where a quantity is in a Modbus register map: value in `unit` = number read times `scale`."""

    unit: Unit
    """Unit of the quantity, as in the table of quantities."""
    address: RegisterAddress
    """Address of the first register, from 0 to 65535, counted from 0 as on the line: 0 is what a manual that counts from 1 calls
    register 1 or, with the function before the number, 30001 (input) or 40001 (holding)."""
    function: Function = "input"
    """Which registers: `"holding"` are read by function code 03, `"input"` by 04."""
    type: NumberType = "float32"
    """Type of the number."""
    word_order: Order = "big"
    """Which register of several comes first."""
    byte_order: Order = "big"
    """Which byte of a register comes first."""
    scale: float = Field(default=1.0, gt=0)
    """Units per count."""


class SerialRegisters(FileTable):
    """Where a Modbus instrument has its serial number."""

    address: RegisterAddress
    """Address of the first register, from 0 to 65535, counted from 0 as on the line: 0 is what a manual that counts from 1 calls
    register 1 or, with the function before the number, 30001 (input) or 40001 (holding)."""
    function: Function = "holding"
    """Which registers: `"holding"` are read by function code 03, `"input"` by 04."""
    type: Literal["uint16", "uint32", "uint64", "ascii"] = "uint32"
    """An unsigned number, or `ascii`: text of two characters in each register."""
    word_order: Order = "big"
    """Which register of several comes first."""
    byte_order: Order = "big"
    """Which byte of a register comes first."""
    count: int = Field(default=8, ge=1, le=125)
    """Registers of an `ascii` serial number."""


class Switching(FileTable):
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


def _fits(command: str, placeholder: str) -> bool:
    """Whether the only braces in `command` are around `placeholder`."""
    rest = command.replace("{" + placeholder + "}", "") if placeholder else command
    return "{" not in rest and "}" not in rest
