"""The catalogue of faults a simulated bench can have, each named after what is wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from simulated.description import MeterDescription, RangeDescription

FaultKind = Literal["winding", "wiring", "scaling", "secondary", "reference", "link", "instrument"]


@dataclass(frozen=True)
class Fault:
    """One entry of the catalogue; `takes` says what may follow the name after a colon."""

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
        """The catalogue's name of the fault."""
        return self.fault.name


CATALOGUE: tuple[Fault, ...] = (
    Fault("turn-missing", "winding", "one range has one primary turn fewer than the paperwork says", "range"),
    Fault("turn-extra", "winding", "one range has one primary turn more than the paperwork says", "range"),
    Fault("section-reversed", "winding", "the further section of a series range opposes the base turns", "range"),
    Fault("winding-reversed", "winding", "a range's whole winding is turned round; only power shows it", "range"),
    Fault(
        "both-windings-in-circuit",
        "wiring",
        "the winding of the range before carries the current too",
        "range",
    ),
    Fault(
        "switch-left-in-another-position",
        "wiring",
        "the switch claims the position asked for and stays in another",
        "range",
    ),
    Fault("voltage-reversed", "wiring", "the meter's voltage input is turned round; only power shows it"),
    Fault(
        "module-supply-behind-sensor",
        "wiring",
        "the module's own supply current flows through the sensor",
        "current",
    ),
    Fault(
        "display-factor-forgotten",
        "scaling",
        "one range already shows amperes; the display factor counts twice",
        "range",
    ),
    Fault("ratio-setting", "scaling", "the meter is set for a transformer of four fifths the turns"),
    Fault("high-resistance-fuse", "secondary", "the secondary fuse adds 500 ohm to the burden"),
    Fault("saturating-core", "secondary", "the core saturates below the rated current"),
    Fault("closed-turn", "secondary", "a turn of 16 mm2 copper closes around the core and takes some 4 %"),
    Fault("secondary-open", "secondary", "the secondary is open: the meter reads nothing"),
    Fault("drifted-gain", "secondary", "the metering module reads 3 % too high"),
    Fault("bent-gain", "secondary", "the metering module's gain falls with the current, by 4 % at the rated one"),
    Fault("display-offset", "secondary", "the display is 12 steps too high whatever flows"),
    Fault("phase-shifted", "secondary", "the module's channels are shifted by 2 degrees; only power shows it"),
    Fault("high-threshold", "secondary", "the display goes blank at three times the current described"),
    Fault(
        "core-gap",
        "secondary",
        "the joint of the core stays open by 0.3 mm: a little low on every range, and its phase far off",
    ),
    Fault("half-wave-lost", "secondary", "the module's input lets one half-wave through only"),
    Fault(
        "burden-capacitance",
        "secondary",
        "a capacitor across the burden takes a fifth of its current, a quarter of a period ahead",
    ),
    Fault("frequency-other", "secondary", "the mains has 60 Hz, or 50 Hz where 60 Hz is described"),
    Fault("reference-wrong", "reference", "the reference reads 3 % too low on all its ranges"),
    Fault(
        "reference-ratio",
        "reference",
        "the reference transformer's ratio is four fifths of the true one in the bench file",
    ),
    Fault("load-ignores-off", "instrument", "the load accepts OFF and stays on"),
    Fault("late-reply", "link", "now and then the reference's reply comes after the client's timeout"),
    Fault("garbled-reply", "link", "now and then the reference's reply is corrupted on the way"),
    Fault("wrong-serial", "instrument", "the reference answers another serial number"),
)
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
