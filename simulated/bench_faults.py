"""The catalogue of faults a simulated bench can have, each named after what is wrong."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from instruments.shipped_text import shipped_text

if TYPE_CHECKING:
    from simulated.description import MeterDescription, RangeDescription

FaultKind = Literal["winding", "wiring", "scaling", "secondary", "reference", "link", "instrument"]


@dataclass(frozen=True, kw_only=True)
class Fault:
    """An entry of the catalogue; `takes` is what may follow the name after a colon."""

    name: str
    kind: FaultKind
    summary: str
    takes: Literal["range", "current", "nothing"] = "nothing"


@dataclass(frozen=True)
class ActiveFault:
    """A fault of one bench: where it is (a range's name) or how large (amperes), when that applies."""

    fault: Fault
    range: str = ""
    current: float = 0.0

    @property
    def name(self) -> str:
        return self.fault.name


CATALOGUE = tuple(Fault(**fault) for fault in tomllib.loads(shipped_text("simulated", "bench_faults.toml"))["faults"])
"""Every fault, in the order they are listed to the user."""

SUPPLY_CURRENT_OF_SMALLEST = 0.3
"""A module's own supply current when none is given, as a part of the smallest current of the last range."""


def parse_fault(text: str, meter: MeterDescription) -> ActiveFault:
    """The fault named by `text`, such as `turn-missing`, `turn-missing:x4` or `module-supply-behind-sensor:0.0017`.

    Raises ValueError when there is no such fault, or the meter cannot have it.
    """
    name, _, parameter = (part.strip() for part in text.partition(":"))
    fault = next((f for f in CATALOGUE if f.name == name), None)
    if fault is None:
        raise ValueError(f"unknown fault {name!r}, expected one of {', '.join(f.name for f in CATALOGUE)}")
    if name == "high-resistance-fuse" and meter.secondary_fuse is None:
        raise ValueError(f"fault {name}: this meter has no secondary fuse")
    if fault.takes == "range":
        return ActiveFault(fault, range=_place(fault, parameter, meter))
    if fault.takes == "current":
        return ActiveFault(fault, current=_current(fault, parameter, meter))
    if parameter:
        raise ValueError(f"fault {name}: found {parameter!r}, expected nothing after the name")
    return ActiveFault(fault)


def _current(fault: Fault, parameter: str, meter: MeterDescription) -> float:
    if not parameter:
        return SUPPLY_CURRENT_OF_SMALLEST * meter.ranges[-1].minimum_current
    try:
        current = float(parameter)
    except ValueError:
        current = -1.0
    if not 0.0 < current < float("inf"):
        raise ValueError(f"fault {fault.name}: found {parameter!r}, expected a positive current in amperes")
    return current


def _place(fault: Fault, parameter: str, meter: MeterDescription) -> str:
    possible = _possible_ranges(fault.name, meter.ranges)
    if not possible:
        raise ValueError(f"fault {fault.name}: none of this meter's ranges can have it")
    if not parameter:
        return _default(fault.name, possible, meter.ranges)
    if parameter not in possible:
        raise ValueError(f"fault {fault.name}: found range {parameter!r}, expected one of {', '.join(possible)}")
    return parameter


def _possible_ranges(name: str, ranges: tuple[RangeDescription, ...]) -> list[str]:
    if name == "section-reversed":
        return [r.name for r in ranges if r.wiring == "series"]
    if name == "both-windings-in-circuit":
        return [r.name for r in ranges[1:] if r.wiring == "independent"]
    if name == "winding-reversed":
        return [r.name for r in ranges if r.wiring == "independent"]
    return [r.name for r in ranges]


def _default(name: str, possible: list[str], ranges: tuple[RangeDescription, ...]) -> str:
    if name in ("turn-missing", "turn-extra"):
        return ranges[min(1, len(ranges) - 1)].name
    if name in ("switch-left-in-another-position", "display-factor-forgotten"):
        return ranges[-1].name
    return possible[0]
