"""Result of the check on paper: numbers of every range, and findings in plain words."""

from dataclasses import dataclass
from functools import partial
from typing import Literal

from harness.core.quantities import format_quantity
from harness.files.device import Device, Range
from harness.results import Reason

Grade = Literal["in the way", "not protected", "not known", "worth knowing"]
"""The gravest first. `in the way`: change something before winding; `not protected`: the supply can drive more than a part withstands, in daily use
and not in a run, which limits the current itself; `not known`: the file does not say, so look; the rest is for reading."""


@dataclass(frozen=True)
class DesignFinding:
    """One finding: subject, the number found, the number needed, the remedy. `range` is empty when it concerns all ranges.

    `open`: what a verification leaves as it is and names: what is not protected, not known, or shown to be wrong by a key that may be left out.
    """

    grade: Grade
    text: str
    range: str = ""
    open: Reason | None = None

    @property
    def stops_a_run(self) -> bool:
        """Whether no run begins with it: it would be in the way whatever else the file left out."""
        return self.grade == "in the way" and self.open is None


in_the_way = partial(DesignFinding, "in the way")
worth_knowing = partial(DesignFinding, "worth knowing")


def wrong(text: str, on: str = "") -> DesignFinding:
    """What a key that may be left out shows to be wrong: in the way of winding, and of a run no more than a file without that key."""
    return DesignFinding("in the way", text, on, Reason.of("wrong-on-paper", on, finding=text.split(";")[0]))


def not_protected(text: str, reason: Reason) -> DesignFinding:
    """A part that nothing stated keeps from what the supply can drive. An unknown supply is one that drives too much."""
    return DesignFinding("not protected", text, reason.range, reason)


def not_known(text: str, reason: Reason) -> DesignFinding:
    """A finding that the file leaves open: `text` says where to look, `reason` which key settles it."""
    return DesignFinding("not known", text, reason.range, reason)


@dataclass(frozen=True)
class FuseI2t:
    """I2t of the primary current in A^2 s that a fuse withstands again and again; None where its melting I2t is not stated."""

    fuse: str
    i2t: float | None


@dataclass(frozen=True)
class Peaks:
    """Peaks of one range, as primary currents in amperes.

    `largest` that the input follows and withstands for good; `crest_factors`: pairs of an effective current and the largest crest factor there.
    `inrush_peak` that the input withstands for a moment, `inrush_i2t` that each fuse does; `inrush_charge` in ampere-seconds, one way, that the core
    follows up to its knee, None where the file does not say enough.
    """

    largest: float
    crest_factors: tuple[tuple[float, float], ...]
    inrush_peak: float
    inrush_i2t: tuple[FuseI2t, ...]
    inrush_charge: float | None


@dataclass(frozen=True)
class RangeSheet:
    """One range on paper. Currents in amperes: of the primary, or of the secondary where the name says so.

    `maximum_test_current` is the least of the claim and the ratings of the device's parts, `set_by` that part. `supply_secondary_current` flows at the
    most the supply lets flow for long, which is more than its rating. `fuse_margin` is the secondary fuse's rating over the secondary
    current at it; `melting_window` is (shortest, longest) seconds at what the supply lets flow, infinite where nothing is
    guaranteed. `winding_heat` is in watts at it, of the turns the range adds, with the copper at 70 degC. None where the file does
    not say enough.
    """

    name: str
    turns: int
    smallest_readable: float
    claimed_from: float
    claimed_to: float
    maximum_test_current: float
    set_by: str
    secondary_current: float
    supply_secondary_current: float | None
    fuse_margin: float | None
    melting_window: tuple[float, float] | None
    conductor_rating: float | None
    winding_heat: float | None
    peaks: Peaks


@dataclass(frozen=True)
class Neighbours:
    """Two neighbouring ranges: `finer` has more turns. Where the spans overlap `from` is below `to`, else it is a gap."""

    finer: str
    coarser: str
    claimed_from: float
    claimed_to: float
    readable_from: float
    readable_to: float


@dataclass(frozen=True)
class DesignCheck:
    """Result of the whole check. `ratio_error` (a fraction) and `phase_displacement` (rad) are expected of the transformer."""

    ranges: tuple[RangeSheet, ...]
    neighbours: tuple[Neighbours, ...]
    ratio_error: float | None
    phase_displacement: float | None
    findings: tuple[DesignFinding, ...]

    @property
    def open(self) -> tuple[Reason, ...]:
        """What is wrong, not protected or left open by the file, and in the way of no run."""
        return tuple(f.open for f in self.findings if f.open is not None)

    def count(self, grade: Grade) -> int:
        return sum(f.grade == grade for f in self.findings)


def secondary_of(device: Device, rng: Range, current: float) -> float:
    """Secondary amperes of an error-free transformer when `current` amperes flow through the turns of `rng`."""
    return current * rng.primary_turns / device.transformer.secondary_turns


def amperes(value: float) -> str:
    """A current as findings and the sheet tell it."""
    return format_quantity(value, "A", 3)
