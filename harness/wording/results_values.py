"""Whether the numbers of `results.json` that daily use divides by or takes a logarithm of can be at all: a file altered by hand is refused by its key."""

import math
from collections.abc import Iterator

from harness.core.errors import UserError
from harness.core.interpolation import EDGE
from harness.results import Point, RangeResult, Results, accepted


def check_values(results: Results, file: str) -> None:
    """Raise UserError, naming `file` and key, at the first number that no evaluation writes."""
    for key, found, fits, expected in _values(results):
        if not fits:
            raise UserError(f"{file}: {key}: found {found:g}, expected {expected}; evaluate the record again")


def _values(results: Results) -> Iterator[tuple[str, float, bool, str]]:
    """Key, value, whether it can be, and what is expected."""
    device, probability = results.device, results.decision.coverage_probability
    yield "decision.coverage_probability", probability, 0 < probability < 1, "above 0 and below 1"
    yield "device.resolution", device.resolution, device.resolution > 0, "above 0"
    smallest = device.smallest_readable_current
    yield "device.smallest_readable_current", smallest, smallest >= 0, "no less than 0"
    for number, rng in enumerate(results.ranges):
        yield from _of_range(f"ranges[{number}]", rng)


def _of_range(key: str, rng: RangeResult) -> Iterator[tuple[str, float, bool, str]]:
    positive = {
        "expected_turns": rng.expected_turns,
        "display_factor": rng.display_factor,
        "minimum_current": rng.minimum_current,
        "maximum_current": rng.maximum_current,
    }
    for name, value in positive.items():
        yield f"{key}.{name}", value, 0 < value < math.inf, "a number above 0"
    yield f"{key}.ceiling", rng.ceiling, rng.ceiling >= 0, "no less than 0"
    for number, point in enumerate(rng.points):
        yield f"{key}.points[{number}].pairs", point.pairs, point.pairs >= 1, "1 or more"
        if accepted(rng.verdict) and _is_claimed(rng, point):
            yield from _of_point(f"{key}.points[{number}]", point)


def _of_point(key: str, point: Point) -> Iterator[tuple[str, float, bool, str]]:
    """Of a point that conforms: a display that shows nothing, or is wrong by its whole value, does not."""
    for name, current in (
        ("indicated_current", point.indicated_current),
        ("reference_current", point.reference_current),
    ):
        yield f"{key}.{name}", current, 0 < abs(current) < math.inf, "a current other than 0"
    error = point.ratio_error
    yield f"{key}.ratio_error.value", error.value, abs(error.value) < 1, "above -1 and below 1"
    u = error.standard_uncertainty
    yield f"{key}.ratio_error.standard_uncertainty", u, u >= 0, "no less than 0"


def _is_claimed(rng: RangeResult, point: Point) -> bool:
    low, high = rng.stands_for or (rng.minimum_current, rng.maximum_current)
    return low * (1 - EDGE) <= point.nominal_current <= high * (1 + EDGE)
