"""A current read on a verified range, corrected for the known error of the range: the measured value with its expanded uncertainty."""

import math
from collections.abc import Sequence

from harness.core.errors import UserError
from harness.evaluation.uncertainty.gum_formulas import Contribution, rectangular
from harness.results import RangeResult, Results
from harness.verified_meter.known_error import VerifiedSpan, known_error, other_range, verified_span
from harness.verified_meter.measured_quantity import (
    DisplayedValue,
    MeasuredQuantity,
    MeasuredReading,
    Part,
    drifted,
    last_digit,
    of_reading,
    scattered,
)


def corrected_current(
    results: Results, range_name: str, shown: Sequence[DisplayedValue], drift: float
) -> MeasuredReading:
    """The current that `shown`, one reading or several of one steady load, stands for on a range of a verified meter.

    `drift` bounds what the ratio error may have changed by since the verification, a fraction. Raises UserError where the range is
    not known or was not verified at that current, and where the verification is no evidence.
    """
    if results.contradictions:
        raise UserError("the readings of this verification contradict each other: no value is stated from it")
    rng = range_named(results, range_name)
    for one in shown:
        span = _span(results, rng, abs(one.displayed) * rng.display_factor)
    displayed = math.fsum(s.displayed for s in shown) / len(shown)
    indicated = displayed * rng.display_factor
    error = known_error(rng, min(max(abs(indicated), span.lowest), span.highest))
    parts = (
        Part("verification of the range", error.verification),
        Part("ratio error between two verified currents", Contribution(rectangular(error.curve), "rectangular")),
        last_digit(max(results.device.resolution, *(s.step for s in shown)), displayed / (1 + error.ratio_error)),
        scattered([s.displayed for s in shown], error.scatter),
        drifted(drift),
    )
    found = MeasuredQuantity(indicated / (1 + error.ratio_error), parts)
    probability = results.decision.coverage_probability
    return of_reading(("current", "A"), rng, len(shown), found, error.ratio_error, probability)


def range_named(results: Results, name: str) -> RangeResult:
    """The range of `results` called `name`. Raises UserError."""
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
