"""The kinds of lines a record may have, and the keys of each."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from harness.audit.value_types import (
    Amperes,
    Count,
    KeptOptions,
    KeptProcedure,
    Number,
    Override,
    PowerFactor,
    ReadingKeys,
    RecordLine,
    Seconds,
    Way,
)
from harness.safety.cautions import Cautions


class _Begins(RecordLine):
    """What every part of a run begins with."""

    operator: str
    overrides: list[Override]
    cautions: Cautions
    replayed: bool


class StartLine(_Begins):
    """The beginning: everything the run was made by, the files, the procedure and the profiles as text."""

    format: str
    software: str
    device_file: str
    device_text: str
    bench_file: str
    bench_text: str
    procedure: KeptProcedure
    options: KeptOptions
    profiles: dict[str, dict[str, Any]]
    causes_file: str = ""
    causes_text: str = ""


class ResumeLine(_Begins):
    """The run is resumed from here."""

    guard: str
    torn: str


class IdentifiedLine(RecordLine):
    """How an instrument identified itself."""

    instrument: str
    identity: str
    serial: str


class EnvironmentLine(RecordLine):
    """Conditions that a sensor read."""

    temperature: Number | None = None
    relative_humidity: Number | None = None
    raw: dict[str, str]


class SafeLine(RecordLine):
    """An instrument was made safe, and whether it confirmed that."""

    instrument: str
    confirmed: bool
    answer: str


class SelectedLine(RecordLine):
    """A range was selected, with its maximum test current and the part that sets it."""

    step: Literal["select"]
    range: str
    answer: str
    ceiling: Amperes
    ceiling_set_by: str


class AppliedLine(RecordLine):
    """A current was applied."""

    step: Literal["apply"]
    current: Amperes


class ReleasedLine(RecordLine):
    """The load was switched off."""

    step: Literal["release"]


class SetPowerFactorLine(RecordLine):
    """The load was set to a power factor."""

    step: Literal["power factor"]
    power_factor: PowerFactor


class CeilingLine(RecordLine):
    """The maximum test current changed with the turns observed."""

    range: str
    ceiling: Amperes
    ceiling_set_by: str
    observed_turns: Number


class SettledLine(RecordLine):
    """The current became steady."""

    current: Amperes
    readings: Count
    seconds: Seconds


class _PairKeys(RecordLine):
    reference: ReadingKeys
    displayed: ReadingKeys
    also: dict[str, ReadingKeys] = Field(default_factory=dict)


class ApproachLine(_PairKeys):
    """A pair of readings at the approach current, and the turns it shows."""

    range: str
    turns: Number


class ReadLine(_PairKeys):
    """One pair of readings of a point: reference and display, with what was read beside them."""

    point: Count
    attempt: Count
    pair: Count


class UndoneLine(RecordLine):
    """A person took a typed value back."""

    point: Count
    attempt: Count
    pair: Count
    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, ReadingKeys]


class PointLine(RecordLine):
    """A point is complete: it is made of the readings of this attempt."""

    point: Count
    name: str
    attempt: Count
    range: str
    direction: Way
    nominal_current: Amperes
    reference_scale: Annotated[float, Field(gt=0, le=1e6)]
    count: Annotated[int, Field(ge=1, le=1000)]
    power_factor: PowerFactor | None = None
    power: Literal[True] | None = None


class SkipLine(RecordLine):
    """A point was left out, and why."""

    point: Count
    name: str
    range: str
    direction: Way
    reason: Annotated[str, Field(min_length=1)]


class WaitedLine(RecordLine):
    """A wait ended."""

    wait: Count
    seconds: Annotated[float, Field(gt=0, le=3600)]
    current: Amperes
    cut: Annotated[str, Field(min_length=1)] | None = None


class TroubleLine(RecordLine):
    """An exchange failed; the link is reopened and the point taken again."""

    what: str
    attempt: Count
    instrument: str
    message: str


class LookLine(RecordLine):
    """The reference was looked at outside a point."""

    current: Amperes
    reference: Number
    raw: str
    scale: Annotated[float, Field(gt=0, le=1e6)]


class PromptLine(RecordLine):
    """What a person was asked, and answered."""

    text: str
    answer: str


class StopLine(RecordLine):
    """The end of the run, and how it ended."""

    outcome: Literal["complete", "aborted", "not safe"]
    reason: str


STEPS: Mapping[str, type[RecordLine]] = {
    "select": SelectedLine,
    "apply": AppliedLine,
    "release": ReleasedLine,
    "power factor": SetPowerFactorLine,
}
KINDS: Mapping[str, type[RecordLine]] = {
    "start": StartLine,
    "resume": ResumeLine,
    "identity": IdentifiedLine,
    "environment": EnvironmentLine,
    "safe": SafeLine,
    "ceiling": CeilingLine,
    "settled": SettledLine,
    "approach": ApproachLine,
    "reading": ReadLine,
    "undo": UndoneLine,
    "point": PointLine,
    "skip": SkipLine,
    "wait": WaitedLine,
    "trouble": TroubleLine,
    "look": LookLine,
    "prompt": PromptLine,
    "stop": StopLine,
}
"""Every kind of line; those of kind `step` by what they step."""
