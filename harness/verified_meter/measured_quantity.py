"""A measured value with the reasons why it is uncertain, and what is stated of a reading by it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.errors import UserError
from harness.evaluation.uncertainty.coverage_factor import coverage_factor
from harness.evaluation.uncertainty.gum_formulas import Contribution, combined, rectangular, type_a
from harness.results import RangeResult, Stated

SCATTER = "scatter of the readings"


@dataclass(frozen=True)
class DisplayedValue:
    """A value as the display showed it, in SI units before the display factor, and the step of its last digit as it was written."""

    displayed: float
    step: float


@dataclass(frozen=True)
class Part:
    """One reason why a value is uncertain; its standard uncertainty is a part of the value.

    `in_full`: a bound at whose ends the truth may well lie, as of an error whose size is known and whose sign is not. Its half-width is added to what
    the others make (JCGM 100:2008, F.2.4.5): 95 % of a rectangle would leave its ends out, and with them the truth.
    """

    source: str
    contribution: Contribution
    in_full: bool = False

    @classmethod
    def bound(cls, source: str, half_width: float) -> "Part":
        """A bound that counts in full, a part of the value."""
        return cls(source, Contribution(rectangular(half_width), "rectangular"), in_full=True)


@dataclass(frozen=True)
class MeasuredQuantity:
    """A value in SI units and why it is uncertain."""

    value: float
    parts: tuple[Part, ...]

    @property
    def relative(self) -> tuple[Contribution, ...]:
        return tuple(part.contribution for part in self.parts)

    def stated(self, probability: float) -> Stated:
        """With its expanded uncertainty for a two-sided coverage `probability`."""
        others = [p.contribution for p in self.parts if not p.in_full and p.contribution.standard_uncertainty]
        in_full = sum(math.sqrt(3) * p.contribution.standard_uncertainty for p in self.parts if p.in_full)
        size, u = abs(self.value), combined(self.relative)
        if not others:
            return Stated(self.value, size * u, size * in_full, in_full / u if u else 1.0, None)
        coverage = coverage_factor(others, probability)
        expanded = coverage.factor * combined(others) + in_full
        return Stated(self.value, size * u, size * expanded, expanded / u, coverage.told_degrees_of_freedom)


@dataclass(frozen=True)
class MeasuredReading:
    """What readings of one `quantity` stand for on `range_name`, in SI units (power factor: `unit` empty).

    `indicated`: displayed value times display factor, the mean of `readings`; its `error`, a fraction, is known from the verification. `corrected`
    by it; `uncorrected` is `indicated` with its expanded uncertainty enlarged by the correction left out (JCGM 100:2008, F.2.4.5). `parts` as
    parts of the value.
    """

    quantity: str
    unit: str
    range_name: str
    display_factor: float
    readings: int
    indicated: float
    error: float
    corrected: Stated
    uncorrected: tuple[float, float]
    parts: tuple[Part, ...]
    coverage_probability: float


def of_reading(
    name: tuple[str, str], rng: RangeResult, readings: int, found: MeasuredQuantity, error: float, probability: float
) -> MeasuredReading:
    """`found`, whose known `error` was taken off, as what `readings` on `rng` stand for; `name`: the quantity and its unit.

    Raises UserError where anything of it has no bound, and where the readings contradict each other.
    """
    if not all(map(_finite, (found.value, *(c.standard_uncertainty for c in found.relative)))):
        raise UserError(
            f"range {rng.name}: its verification leaves an error or an uncertainty without bound: no value is stated"
        )
    check_agreement(name[0], rng, readings, found, probability)
    stated, indicated = found.stated(probability), found.value * (1 + error)
    return MeasuredReading(
        *name,
        rng.name,
        rng.display_factor if name[1] else 1.0,
        readings,
        indicated,
        error,
        stated,
        (indicated, stated.expanded_uncertainty + abs(indicated - found.value)),
        tuple(p for p in found.parts if p.contribution.standard_uncertainty),
        probability,
    )


def check_agreement(
    quantity: str, rng: RangeResult, readings: int, found: MeasuredQuantity, probability: float
) -> None:
    """Raise UserError where the scatter of several `readings` alone makes the expanded uncertainty of `found` larger than the value."""
    without = MeasuredQuantity(found.value, tuple(p for p in found.parts if p.source != SCATTER))
    size = abs(found.value)
    if (
        readings > 1
        and without.stated(probability).expanded_uncertainty <= size < found.stated(probability).expanded_uncertainty
    ):
        raise UserError(
            f"range {rng.name}: the {readings} readings of {quantity} contradict each other: by their scatter the uncertainty is larger than the value: "
            "no value is stated"
        )


def _finite(number: float) -> bool:
    return abs(number) < float("inf")


def last_digit(step: float, shown: float) -> Part:
    """Of a display whose last digit has this `step`, at a value of `shown` (both alike)."""
    return Part("last digit of the display", Contribution(rectangular(step / 2) / abs(shown), "rectangular"))


def drifted(drift: float) -> Part:
    """A bound of what the error may have changed by since the verification, a fraction."""
    return Part("drift since the verification, as stated", Contribution(rectangular(drift), "rectangular"))


def scattered(shown: Sequence[float], of_one: Contribution) -> Part:
    """Of the mean of several readings their own scatter, but no less than `of_one` (relative), what one reading scattered by in the verification.

    Equal readings may be one that the display repeated, so their number is not taken to make the scatter known any smaller.
    """
    if len(shown) == 1:
        return Part(SCATTER, of_one)
    found = type_a(shown)
    own = Contribution(found.standard_uncertainty / abs(found.mean), "normal", found.degrees_of_freedom)
    return Part(SCATTER, max(own, of_one, key=lambda c: c.standard_uncertainty))
