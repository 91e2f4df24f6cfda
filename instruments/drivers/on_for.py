"""For how long something may carry current at a time."""

from __future__ import annotations

from dataclasses import dataclass

from instruments.numbers import format_time


@dataclass(frozen=True)
class OnFor:
    """`what` says in words what is limited ("kettle may be on"), `seconds` for how long at a time."""

    what: str
    seconds: float

    def __str__(self) -> str:
        return f"{self.what} for {format_time(self.seconds)} at a time"

    @property
    def from_now(self) -> str:
        """The same, said when the time begins."""
        return f"{self.what} for {format_time(self.seconds)} from now"
