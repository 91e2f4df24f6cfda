"""A current read on a verified range: the measured value with its expanded uncertainty."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.errors import UserError
from harness.evaluation.uncertainty.combined_uncertainty import Contribution, combined, rectangular, type_a
from harness.evaluation.uncertainty.coverage_factor import coverage_factor
from harness.results import RangeResult, Results, Stated
from harness.verified_meter.known_error import VerifiedSpan, known_error, other_range, verified_span


@dataclass(frozen=True)
class DisplayedCurrent:
    """A current as the display showed it, in amperes before the display factor, and the step of its last digit as it was written."""

    displayed: float
    step: float


@dataclass(frozen=True)
class Part:
    """One reason why a measured value is uncertain: its standard uncertainty in amperes."""

    source: str
    contribution: Contribution


@dataclass(frozen=True)
class MeasuredCurrent:
    """A current measured on `range_name`, in amperes.

    `indicated`: displayed value times display factor, the mean of `readings`. `corrected` by the known ratio error. `uncorrected` is
    `indicated` with its expanded uncertainty enlarged by the correction that was left out (JCGM 100:2008, F.2.4.5).
    """

    range_name: str
    display_factor: float
    readings: int
    indicated: float
    ratio_error: float
    corrected: Stated
    uncorrected: tuple[float, float]
    parts: tuple[Part, ...]
    coverage_probability: float


def measured_current(
    results: Results, range_name: str, shown: Sequence[DisplayedCurrent], drift: float
) -> MeasuredCurrent:
    """The current that `shown`, one reading or several of one steady load, stands for on a range of a verified meter.

    `drift` bounds what the ratio error may have changed by since the verification, a fraction. Raises UserError where the range is
    not known or was not verified at that current, and where the verification is no evidence.
    """
    if results.contradictions:
        raise UserError("the readings of this verification contradict each other: no value is stated from it")
    rng = _range(results, range_name)
    for one in shown:
        span = _span(results, rng, abs(one.displayed) * rng.display_factor)
    indicated = math.fsum(s.displayed for s in shown) / len(shown) * rng.display_factor
    error = known_error(rng, min(max(abs(indicated), span.lowest), span.highest))
    corrected = indicated / (1 + error.ratio_error)
    step = max(results.device.resolution, *(s.step for s in shown)) * rng.display_factor
    size = abs(corrected)
    parts = [
        Part("verification of the range", _scaled(error.verification, size)),
        Part("ratio error between two verified currents", Contribution(size * rectangular(error.curve), "rectangular")),
        Part("last digit of the display", Contribution(rectangular(step / 2), "rectangular")),
        Part(
            "scatter of the readings",
            _scatter([s.displayed * rng.display_factor for s in shown], _scaled(error.scatter, size)),
        ),
        Part("drift since the verification, as stated", Contribution(size * rectangular(drift), "rectangular")),
    ]
    contributions = [p.contribution for p in parts if p.contribution.standard_uncertainty]
    if not all(math.isfinite(number) for number in (corrected, *(c.standard_uncertainty for c in contributions))):
        raise UserError(
            f"range {rng.name}: its verification leaves an error or an uncertainty without bound: no value is stated"
        )
    probability = results.decision.coverage_probability
    coverage = coverage_factor(contributions, probability)
    u = combined(contributions)
    stated = Stated(corrected, u, coverage.factor * u, coverage.factor, coverage.told_degrees_of_freedom)
    return MeasuredCurrent(
        rng.name,
        rng.display_factor,
        len(shown),
        indicated,
        error.ratio_error,
        stated,
        (indicated, stated.expanded_uncertainty + abs(indicated - corrected)),
        tuple(p for p in parts if p.contribution.standard_uncertainty),
        probability,
    )


def _range(results: Results, name: str) -> RangeResult:
    for rng in results.ranges:
        if rng.name == name:
            return rng
    raise UserError(f"--range: found {name}, expected one of {', '.join(r.name for r in results.ranges)}")


def _span(results: Results, rng: RangeResult, indicated: float) -> VerifiedSpan:
    span = verified_span(rng)
    other = other_range(results, indicated, rng.name)
    instead = f"; range {other} was verified there" if other else "; no range was verified there"
    if span is None:
        raise UserError(
            f"range {rng.name} was not verified as conforming: no value is stated from its reading{instead}"
        )
    if not span.holds(indicated):
        said = f"range {rng.name} was verified from {span.lowest:.4g} A to {span.highest:.4g} A, and indicates {indicated:.4g} A"
        raise UserError(f"{said}: no value is stated{instead}")
    return span


def _scaled(relative: Contribution, size: float) -> Contribution:
    return Contribution(relative.standard_uncertainty * size, relative.distribution, relative.degrees_of_freedom)


def _scatter(indicated: Sequence[float], of_one: Contribution) -> Contribution:
    """Of the mean of several readings their own; of one what one scattered by in the verification."""
    if len(indicated) == 1:
        return of_one
    found = type_a(indicated)
    return Contribution(found.standard_uncertainty, "normal", found.degrees_of_freedom)
