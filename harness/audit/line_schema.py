"""The shape of every line of a record: its kind, and the keys of that kind with their types and bounds.

Strict: no key too many, no text for a number, nothing infinite.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, TypeAdapter, ValidationError

from harness.record.journal import Record
from harness.safety.confirmation import Cautions
from harness.steps import DIRECTIONS

LARGEST = 1e9
"""No quantity of a record is larger, in its SI unit."""


def _moment(value: object) -> object:
    return dt.datetime.fromisoformat(value) if isinstance(value, str) else value


def _among_directions(value: object) -> object:
    if value not in DIRECTIONS:
        raise ValueError(f"expected one of {', '.join(DIRECTIONS)}")
    return value


Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=0, le=10**6)]
Number = Annotated[float, Field(ge=-LARGEST, le=LARGEST)]
Amperes = Annotated[float, Field(ge=0, le=1e6)]
Seconds = Annotated[float, Field(ge=0, le=LARGEST)]
Moment = Annotated[AwareDatetime, BeforeValidator(_moment)]
Way = Annotated[str, BeforeValidator(_among_directions)]
PowerFactor = Annotated[float, Field(ge=-1, le=1)]


class _Keys(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class _Line(_Keys):
    line: Count
    kind: str
    at: Moment
    elapsed: Seconds
    previous: Hash
    hash: Hash


class _ReadingKeys(_Keys):
    value: Number
    unit: str
    raw: str
    started: Seconds
    finished: Seconds


class _Override(_Keys):
    name: str
    problem: str


class _Procedure(_Keys):
    asked: str
    name: str
    title: str
    revision: str
    description: str
    text_hash: Hash
    words_hash: Hash
    text: str


class _Options(_Keys):
    readings: Annotated[int, Field(ge=1, le=1000)]
    per_decade: Annotated[int, Field(ge=1, le=20)]
    hold: Annotated[float, Field(gt=0, le=3600)]


class _Begins(_Line):
    """What every part of a run begins with."""

    operator: str
    overrides: list[_Override]
    cautions: Cautions
    replayed: bool


class Start(_Begins):
    """The beginning: everything the run was made by, the files, the procedure and the profiles as text."""

    format: str
    software: str
    device_file: str
    device_text: str
    bench_file: str
    bench_text: str
    procedure: _Procedure
    options: _Options
    profiles: dict[str, dict[str, Any]]
    causes_file: str = ""
    causes_text: str = ""


class Resume(_Begins):
    """The run is resumed from here."""

    guard: str
    torn: str


class Identified(_Line):
    """How an instrument identified itself."""

    instrument: str
    identity: str
    serial: str


class Environment(_Line):
    """Conditions that a sensor read."""

    temperature: Number | None = None
    relative_humidity: Number | None = None
    raw: dict[str, str]


class Safe(_Line):
    """An instrument was made safe, and whether it confirmed that."""

    instrument: str
    confirmed: bool
    answer: str


class Selected(_Line):
    """A range was selected, with its maximum test current and the part that sets it."""

    step: Literal["select"]
    range: str
    answer: str
    ceiling: Amperes
    ceiling_set_by: str


class Applied(_Line):
    """A current was applied."""

    step: Literal["apply"]
    current: Amperes


class Released(_Line):
    """The load was switched off."""

    step: Literal["release"]


class SetPowerFactor(_Line):
    """The load was set to a power factor."""

    step: Literal["power factor"]
    power_factor: PowerFactor


class Ceiling(_Line):
    """The maximum test current changed with the turns observed."""

    range: str
    ceiling: Amperes
    ceiling_set_by: str
    observed_turns: Number


class Settled(_Line):
    """The current became steady."""

    current: Amperes
    readings: Count
    seconds: Seconds


class _PairKeys(_Line):
    reference: _ReadingKeys
    displayed: _ReadingKeys
    also: dict[str, _ReadingKeys] = Field(default_factory=dict)


class Approach(_PairKeys):
    """A pair of readings at the approach current, and the turns it shows."""

    range: str
    turns: Number


class Read(_PairKeys):
    """One pair of readings of a point: reference and display, with what was read beside them."""

    point: Count
    attempt: Count
    pair: Count


class Undone(_Line):
    """A person took a typed value back."""

    point: Count
    attempt: Count
    pair: Count
    model_config = ConfigDict(extra="allow")


class Point(_Line):
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


class Skip(_Line):
    """A point was left out, and why."""

    point: Count
    name: str
    range: str
    direction: Way
    reason: Annotated[str, Field(min_length=1)]


class Waited(_Line):
    """A wait ended."""

    wait: Count
    seconds: Annotated[float, Field(gt=0, le=3600)]
    current: Amperes
    cut: Annotated[str, Field(min_length=1)] | None = None


class Trouble(_Line):
    """An exchange failed; the link is reopened and the point taken again."""

    what: str
    attempt: Count
    instrument: str
    message: str


class Look(_Line):
    """The reference was looked at outside a point."""

    current: Amperes
    reference: Number
    raw: str
    scale: Annotated[float, Field(gt=0, le=1e6)]


class Prompt(_Line):
    """What a person was asked, and answered."""

    text: str
    answer: str


class Stop(_Line):
    """The end of the run, and how it ended."""

    outcome: Literal["complete", "aborted", "not safe"]
    reason: str


STEPS: Mapping[str, type[_Line]] = {
    "select": Selected,
    "apply": Applied,
    "release": Released,
    "power factor": SetPowerFactor,
}
KINDS: Mapping[str, type[_Line]] = {
    "start": Start,
    "resume": Resume,
    "identity": Identified,
    "environment": Environment,
    "safe": Safe,
    "ceiling": Ceiling,
    "settled": Settled,
    "approach": Approach,
    "reading": Read,
    "undo": Undone,
    "point": Point,
    "skip": Skip,
    "wait": Waited,
    "trouble": Trouble,
    "look": Look,
    "prompt": Prompt,
    "stop": Stop,
}
"""Every kind of line; those of kind `step` by what they step."""

_READING = TypeAdapter(_ReadingKeys)
_OF_EVERY_LINE = frozenset(_Line.model_fields) | {"point", "attempt", "pair"}


def shape(record: Record) -> Iterator[tuple[int, str]]:
    """What is wrong with the shape of `record`: number of the line from 0, and a sentence."""
    for number, line in enumerate(record.lines):
        model = STEPS.get(str(line.get("step"))) if line.get("kind") == "step" else KINDS.get(str(line.get("kind")))
        if model is None:
            what = "step" if line.get("kind") == "step" else "kind"
            known = STEPS if what == "step" else KINDS
            yield number, f"found {what} {_shown(line.get(what))}, expected one of {', '.join(known)}"
            continue
        try:
            model.model_validate(line)
            if model is Undone:
                for key in line.keys() - _OF_EVERY_LINE:
                    _READING.validate_python(line[key])
        except ValidationError as failure:
            yield from ((number, _said(error)) for error in failure.errors())


def _said(error: Any) -> str:
    """A problem pydantic found: key, what was found and what is expected."""
    key = ".".join(str(part) for part in error["loc"]) or "the line"
    if error["type"] == "extra_forbidden":
        return f"{key}: found a key that is not one of this kind of line, expected none"
    if error["type"] == "missing":
        return f"{key}: found nothing, expected this key"
    message = error["msg"].removeprefix("Value error, ").removeprefix("Input ").removeprefix("should be ")
    message = message.removeprefix("expected ")
    return f"{key}: found {_shown(error['input'])}, expected {message[0].lower()}{message[1:]}"


def _shown(found: object) -> str:
    text = repr(found)
    return text if len(text) <= 60 else f"{text[:57]}..."
