"""Types of the values in a record with their bounds, and the keys common to every line."""

import datetime as dt
from typing import Annotated

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

from harness.steps import DIRECTIONS

LARGEST = 1e9
"""Largest magnitude of any quantity in a record, in its SI unit."""


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


class Keys(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class RecordLine(Keys):
    line: Count
    kind: str
    at: Moment
    elapsed: Seconds
    previous: Hash
    hash: Hash


class ReadingKeys(Keys):
    value: Number
    unit: str
    raw: str
    started: Seconds
    finished: Seconds


class Override(Keys):
    name: str
    problem: str


class KeptProcedure(Keys):
    asked: str
    name: str
    title: str
    revision: str
    description: str
    text_hash: Hash
    words_hash: Hash
    text: str


class KeptOptions(Keys):
    readings: Annotated[int, Field(ge=1, le=1000)]
    per_decade: Annotated[int, Field(ge=1, le=20)]
    hold: Annotated[float, Field(gt=0, le=3600)]
