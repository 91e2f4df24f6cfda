"""One value stated and judged, whatever it is of."""

import dataclasses

import pytest

from harness.results import Judged, PowerPoint, RangeResult, Results, does_not_meet, worst
from tests.rejudged import rejudged
from tests.reports import sample_results


def _power(error: Judged) -> PowerPoint:
    return PowerPoint("x1 4 A", 4.0, 1.0, 1.0, 4.0, 920.0, 920.0, 922.0, error, None, None, "power read", ())


def _failing(found: RangeResult) -> Results:
    good = sample_results.passing()
    return dataclasses.replace(good, verdict="fail", ranges=(found, *good.ranges[1:]))


def test_power_beyond_its_limit_without_a_fail_is_not_said_to_miss_the_claim() -> None:
    """As of ratio errors: within the guard band on the far side the measurement leaves it open (ILAC-G8:09/2019, non-binary statement)."""
    first = sample_results.passing().ranges[0]
    error = first.points[0].ratio_error
    beyond = 1.1 * (error.limit or 0.0)
    for verdict, told in (("conditional fail", False), ("fail", True)):
        power = _power(rejudged(error, value=beyond, verdict=verdict))
        assert does_not_meet(_failing(dataclasses.replace(first, power=(power,)))) == told
        point = dataclasses.replace(first.points[0], ratio_error=rejudged(error, value=beyond, verdict=verdict))
        assert does_not_meet(_failing(dataclasses.replace(first, points=(point,)))) == told


def test_the_worst_is_of_the_worst_verdict_then_the_largest_part_of_its_limit() -> None:
    error = sample_results.passing().ranges[0].points[0].ratio_error
    small = _power(rejudged(error, value=0.001, limit=0.001, verdict="fail"))
    large = _power(rejudged(error, value=0.009, limit=0.01, verdict="pass"))
    unclaimed = _power(rejudged(error, limit=None))
    assert worst([large, small, unclaimed]) is small
    assert worst([large, unclaimed]) is large
    with pytest.raises(ValueError, match="empty"):
        worst([])
