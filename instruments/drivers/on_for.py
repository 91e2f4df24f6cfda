"""The longest time something may carry current."""

from __future__ import annotations

from dataclasses import dataclass

from instruments.numbers import format_time


@dataclass(frozen=True)
class OnFor:
    """A limited duration: `what` names in words what is limited ("kettle may be on"), `seconds` is the longest time at once."""

    what: str
    seconds: float

    def __str__(self) -> str:
        return f"{self.what} for {format_time(self.seconds)} at a time"

    @property
    def from_now(self) -> str:
        """The same text for when the time begins."""
        return f"{self.what} for {format_time(self.seconds)} from now"
