"""The reference path: what stands between the current and the reference instrument."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from harness.device import Table
from harness.quantities import Angle, Current, RelativeError, SignedAngle


class ReferencePath(Table):
    """How the reference instrument sees the current: what its reading must be multiplied by.

    `direct`: the current itself. `transformer`: through a reference transformer of `ratio` (primary to secondary),
    its window passed `loops` times by the load lead. `uncertainty` is the expanded uncertainty (k = 2) of that
    factor, relative. `position` bounds what the place of the lead in the transformer's window, and of its loops around it,
    changes (relative; the maker's figure, or found by moving the lead about). `phase_displacement` is the reference
    transformer's own (positive when its secondary leads), with its expanded uncertainty (k = 2).
    """

    kind: Literal["direct", "transformer"] = "direct"
    ratio: float = Field(default=1.0, ge=1e-6, le=1e6)
    loops: int = Field(default=1, gt=0, le=10_000)
    uncertainty: RelativeError = 0.0
    position: RelativeError = 0.0
    phase_displacement: SignedAngle = 0.0
    phase_displacement_uncertainty: Angle = 0.0
    maximum_current: Current | None = None

    @model_validator(mode="after")
    def _complete(self) -> ReferencePath:
        if self.kind == "direct" and (self.ratio != 1.0 or self.loops != 1):
            raise ValueError('found ratio or loops, expected them with kind = "transformer" only')
        if self.kind == "direct" and self.position:
            raise ValueError('found position, expected it with kind = "transformer" only')
        return self

    @property
    def factor(self) -> float:
        """Primary current in amperes per unit of the reference reading."""
        return self.ratio / self.loops
