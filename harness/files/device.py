"""The device file: the modified meter, its transformer, ranges, path ratings and the claim to verify.

What contradicts itself in a file each of whose keys can be read is told all at once, each with its key (`device_consistency`).
"""

from __future__ import annotations

from pydantic import Field, model_validator

from harness.files.device_consistency import refuse_contradictions
from harness.files.device_tables import Claim, Display, Nameplate, Path, PrimaryFuse, Range, Table, Transformer

__all__ = ["Claim", "Device", "Display", "Nameplate", "Path", "PrimaryFuse", "Range", "Table", "Transformer"]


class Device(Table):
    """The whole device file. The first range, with the fewest turns, is the base range."""

    identity: Nameplate
    """Who made the meter, what it is, and whose it is."""
    transformer: Transformer
    """The current transformer inside it."""
    display: Display
    """What it displays."""
    path: Path
    """Ratings in the primary current path."""
    claim: Claim
    """What is claimed, and verified."""
    ranges: tuple[Range, ...] = Field(min_length=1, max_length=40)
    """The switch positions, fewest turns first."""

    @model_validator(mode="after")
    def _consistent(self) -> Device:
        # Here and not table by table, so that what is wrong in one does not hide what is wrong in the next.
        refuse_contradictions(self.display, self.path, self.claim, self.ranges)
        return self

    def range_named(self, name: str) -> Range:
        """The range called `name`. Raises KeyError when there is none."""
        for rng in self.ranges:
            if rng.name == name:
                return rng
        raise KeyError(name)
