"""The reference path: what stands between the current and the reference instrument, an instrument of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

from pydantic import Field, model_validator

from harness.core.interpolation import Node, covers
from harness.core.plausible_quantities import Current, RelativeError, Resistance
from harness.core.quantities import format_quantity
from harness.files.device import Table
from harness.files.reference_part import SAME_BURDEN, ReferencePart

ReferenceKind = Literal["direct", "transformer", "clamp", "shunt"]

PART_NAME = {"transformer": "reference transformer", "clamp": "reference clamp", "shunt": "reference shunt"}
"""Name of the part in the path, by the kind of the path."""

MOVED = {
    "ratio": "ratio",
    "uncertainty": "calibrated = [{ current, frequency, ratio_error, uncertainty }]",
    "phase_displacement": "calibrated = [{ ..., phase_displacement }]",
    "phase_displacement_uncertainty": "calibrated = [{ ..., phase_uncertainty }]",
}
"""Keys of [reference_path] that say something of the part in it, and where in [reference_path.part] they stand now."""


class ReferencePath(Table):
    """What stands between the current and the reference instrument."""

    kind: ReferenceKind = "direct"
    """`direct`: the reference carries the current itself. `transformer`, `clamp`: around the load lead. `shunt`: the voltage across a resistor."""
    loops: int = Field(default=1, gt=0, le=10_000)
    """Passes of the load lead through the opening of the transformer or clamp."""
    position: RelativeError | None = None
    """Bound of what the place of the lead in the opening changes, relative, and in rad of the angle: the maker's, or found. Needed for a clamp."""
    leads: Resistance | None = None
    """Resistance of what connects the reference to the secondary."""
    maximum_current: Current | None = None
    """Largest current that this path may carry."""
    part: ReferencePart | None = None
    """The transformer, clamp or shunt, as `[reference_path.part]`."""

    @model_validator(mode="before")
    @classmethod
    def _moved(cls, found: Any) -> Any:
        if moved := [key for key in MOVED if isinstance(found, dict) and key in found]:
            now = "; ".join(MOVED[key] for key in moved)
            raise ValueError(f"found {', '.join(moved)} in [reference_path], expected in [reference_path.part]: {now}")
        return found

    @model_validator(mode="after")
    def _complete(self) -> ReferencePath:
        if problem := self._contradiction():
            raise ValueError(problem)
        return self

    def _contradiction(self) -> str:
        part, around = self.part, self.kind in ("transformer", "clamp")
        if (part is None) != (self.kind == "direct"):
            return (
                f'found kind = "{self.kind}" {"with" if part else "without"} [reference_path.part], expected the part (serial, '
                "ratio or resistance, rated_current, what is known of its error) with every kind but direct"
            )
        if not around and (self.loops != 1 or self.position is not None):
            return 'found loops or position, expected them with kind = "transformer" or "clamp" only'
        if part is None:
            return ""
        if self.kind == "transformer" and part.ratio is None:
            return 'found a part without ratio, expected it with kind = "transformer"'
        if self.kind != "transformer" and part.accuracy_class is not None:
            return (
                'found part.accuracy_class, expected it with kind = "transformer" only (bound and lowest_current else)'
            )
        if part.ratio is not None and part.burden is None:
            return "found no part.burden, expected the resistance its secondary was calibrated with (or rated for)"
        if self.kind == "clamp" and self.position is None:
            return 'found no position, expected what moving the lead in the jaws changes, such as "0.3 %"'
        if self.kind == "shunt":
            needed = ("resistance", "power_rating", "temperature_coefficient", "self_heating")
            if missing := [key for key in needed if getattr(part, key) is None]:
                return f"found no part.{', part.'.join(missing)}, expected all of them for a shunt"
        return ""

    @property
    def factor(self) -> float:
        """Amperes of the load lead per unit of the reference reading (amperes or volts), before any correction."""
        if self.part is None:
            return 1.0
        return (self.part.ratio or 1.0 / (self.part.resistance or 1.0)) / self.loops

    @property
    def in_volts(self) -> bool:
        """Whether the reference instrument reads a voltage."""
        return self.part is not None and self.part.resistance is not None

    @property
    def part_name(self) -> str:
        """Name of the part, with its serial number; empty without one."""
        return "" if self.part is None else f"{PART_NAME[self.kind]} {self.part.serial}"

    def ratings(self) -> list[tuple[float, str]]:
        """Ratings in amperes of the load lead, each with its source."""
        ratings = [] if self.maximum_current is None else [(self.maximum_current, "reference path")]
        if self.part is None:
            return ratings
        ratings.append((self.part.rated_current / self.loops, f"rated current of the {PART_NAME[self.kind]}"))
        if self.part.power_rating is not None and self.part.resistance is not None:
            most = math.sqrt(self.part.power_rating / self.part.resistance)
            ratings.append((most, f"power rating of the {PART_NAME[self.kind]}"))
        return ratings

    def known(self, frequency: float, burden: float | None, *, phase: bool = False) -> list[tuple[str, Sequence[Node]]]:
        """Known errors of the part, as `ReferencePart.known`; empty without a part."""
        return [] if self.part is None else self.part.known(frequency, burden, phase=phase)

    def unknown(self, current: float, frequency: float, burden: float | None) -> str:
        """Reason why nothing is known of the path at `current` amperes of the load lead; empty where something is."""
        part = self.part
        if part is None or any(covers(nodes, current * self.loops) for _, nodes in self.known(frequency, burden)):
            return ""
        connected = "" if burden is None else f" with {format_quantity(burden, 'ohm')} on its secondary"
        at, stated = f"at {frequency:g} Hz{connected}", ", ".join(part.stated(frequency))
        smaller = burden is not None and part.burden is not None and burden < (1 - SAME_BURDEN) * part.burden
        if smaller and part.calibrated and part.burden_effect is None:
            stated += "; burden_effect is not stated (a bound of what a smaller burden changes)"
        if self.known(frequency, burden):
            return f"{self.part_name} carries {format_quantity(current * self.loops, 'A')} {at}: it is {stated}"
        return f"nothing is known of {self.part_name} {at}: it is {stated}"
