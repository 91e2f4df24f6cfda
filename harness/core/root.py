"""Where a function crosses zero."""

from collections.abc import Callable

MOST_STEPS = 200


def root(function: Callable[[float], float], low: float, high: float, relative: float = 1e-13) -> float:
    """Where `function`, below zero at `low` and above it at `high` or the other way round, is zero, within `relative` of `high`.

    The secant between two ends that always hold the root, the value at an end that stays halved (the Illinois method:
    Dowell and Jarratt 1971, BIT 11, 168; value from memory).
    """
    at_low, at_high, found, side = function(low), function(high), high, 0
    for _ in range(MOST_STEPS):
        if at_low == at_high:
            break
        before, found = found, high - at_high * (high - low) / (at_high - at_low)
        value = function(found)
        if value == 0 or abs(found - before) <= relative * abs(high):
            break
        if (value > 0) == (at_high > 0):
            high, at_high, at_low = found, value, at_low / 2 if side > 0 else at_low
            side = 1
        else:
            low, at_low, at_high = found, value, at_high / 2 if side < 0 else at_high
            side = -1
    return found
