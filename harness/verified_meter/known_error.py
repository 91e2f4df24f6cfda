"""What a verification says of a range's ratio error at an indicated current, between its points too."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.interpolation import EDGE, Node, interpolate
from harness.evaluation.uncertainty.gum_formulas import Contribution, combined, rectangular
from harness.results import REPEATABILITY, Point, RangeResult, Results, accepted

NEAREST = 0.01
"""Points that indicate currents nearer than this (relative) to one another are one place of the curve."""


@dataclass(frozen=True)
class KnownError:
    """Ratio error (a fraction) of a range at one indicated current, and why it is uncertain.

    `verification` is the uncertainty of the verification there; `curve` the bound of what the error may depart from the straight line
    between two points; `scatter` that of one reading at the nearest points. All relative to the current.
    """

    ratio_error: float
    verification: Contribution
    curve: float
    scatter: Contribution


@dataclass(frozen=True)
class VerifiedSpan:
    """The primary currents of a range, in amperes, for which its verification speaks."""

    name: str
    lowest: float
    highest: float

    def holds(self, current: float) -> bool:
        """Whether `current` lies in the span; a reading within `EDGE` of a verified point is one at the point."""
        return self.lowest * (1 - EDGE) <= current <= self.highest * (1 + EDGE)


def verified_span(rng: RangeResult) -> VerifiedSpan | None:
    """The span of `rng` that was verified and conforms; None where nothing of it did."""
    points = _within_claim(rng)
    if not accepted(rng.verdict) or not points:
        return None
    currents = [abs(p.reference_current) for p in points]
    return VerifiedSpan(rng.name, min(currents), max(currents))


def other_range(results: Results, current: float, but: str) -> str | None:
    """The range with the most turns, other than `but`, that was verified at `current` amperes."""
    spans = [(rng.expected_turns, verified_span(rng)) for rng in results.ranges if rng.name != but]
    holding = [(turns, span.name) for turns, span in spans if span is not None and span.holds(current)]
    return max(holding)[1] if holding else None


def known_error(rng: RangeResult, indicated: float) -> KnownError:
    """The ratio error of `rng` where it indicates `indicated` amperes. Raises ValueError where its points do not cover it.

    Linear in the logarithm of the current between the points, as errors of transformers are smooth over decades. The standard uncertainty
    is the larger of the two points': most of it is the reference's, which both share.
    """
    places = _places(rng)
    found = interpolate([p.node for p in places], indicated)
    near = [places[i] for i in sorted(set(found.interval))]
    worst = max(near, key=lambda p: p.node.standard_uncertainty)
    return KnownError(
        found.error,
        Contribution(worst.node.standard_uncertainty, "normal", worst.degrees_of_freedom),
        found.bow,
        max((p.scatter for p in near), key=lambda c: c.standard_uncertainty),
    )


@dataclass(frozen=True)
class _Place:
    """All points of one current."""

    node: Node
    degrees_of_freedom: float
    scatter: Contribution


def _within_claim(rng: RangeResult) -> list[Point]:
    low, high = rng.stands_for or (rng.minimum_current, rng.maximum_current)
    return [p for p in rng.points if low * (1 - EDGE) <= p.nominal_current <= high * (1 + EDGE)]


def _places(rng: RangeResult) -> list[_Place]:
    points = sorted(_within_claim(rng), key=lambda p: abs(p.indicated_current))
    places: list[list[Point]] = []
    for point in points:
        if places and abs(point.indicated_current) < abs(places[-1][0].indicated_current) * (1 + NEAREST):
            places[-1].append(point)
        else:
            places.append([point])
    return [_place(group) for group in places]


def _place(points: Sequence[Point]) -> _Place:
    """Points at one current: their mean, with half of what they differ by as a bound (rising and falling currents, later repeats)."""
    errors = [p.ratio_error.value for p in points]
    worst = max(points, key=lambda p: p.ratio_error.standard_uncertainty).ratio_error
    differ = Contribution(rectangular((max(errors) - min(errors)) / 2), "rectangular")
    u = combined([Contribution(worst.standard_uncertainty), differ])
    at = math.fsum(abs(p.indicated_current) for p in points) / len(points)
    scatter = max(map(_scatter, points), key=lambda c: c.standard_uncertainty)
    return _Place(Node(at, math.fsum(errors) / len(errors), u), _freedom(worst.degrees_of_freedom), scatter)


def _scatter(point: Point) -> Contribution:
    """Of one reading of a point, from that of the mean of its pairs."""
    line = next((b for b in point.budget if b.source == REPEATABILITY), None)
    if line is None:
        return Contribution(0.0)
    return Contribution(math.sqrt(point.pairs) * line.contribution, "normal", _freedom(line.degrees_of_freedom))


def _freedom(stated: float | None) -> float:
    return math.inf if stated is None else stated
