"""Where a function crosses zero."""

from collections.abc import Callable

MOST_STEPS = 200


def zero_crossing(function: Callable[[float], float], low: float, high: float, relative: float = 1e-13) -> float:
    """Where `function`, below zero at `low` and above it at `high` or the other way round, is zero, within `relative` of `high`.

    The next place is that of the inverse parabola through the last three where it is sure to lie between the ends, and
    their middle elsewhere (Chandrupatla 1997, Advances in Engineering Software 28, 145; value from memory). Raises ValueError where the signs do not differ.
    """
    newest, other = high, low
    at_newest, at_other = function(newest), function(other)
    if not at_newest * at_other <= 0:
        raise ValueError(f"no change of sign between {low:g} and {high:g}: {at_other:g} and {at_newest:g}")
    if at_newest == 0 or at_other == 0:
        return newest if at_newest == 0 else other
    nearest, part = relative * abs(high) / 2, 0.5
    for _ in range(MOST_STEPS):
        place = newest + part * (other - newest)
        value = function(place)
        third, at_third = newest, at_newest
        if (value > 0) != (at_newest > 0):
            third, other, at_third, at_other = other, newest, at_other, at_newest
        newest, at_newest = place, value
        width = abs(other - newest)
        if value == 0 or width <= 2 * nearest:
            break
        along, up = (newest - other) / (third - other), (at_newest - at_other) / (at_third - at_other)
        part = 0.5
        if up**2 < along and (1 - up) ** 2 < 1 - along:
            part = at_newest / (at_other - at_newest) * at_third / (at_other - at_third)
            part += (
                (third - newest)
                / (other - newest)
                * at_newest
                / (at_third - at_newest)
                * at_other
                / (at_third - at_other)
            )
        part = min(max(part, nearest / width), 1 - nearest / width)
    return newest if abs(at_newest) < abs(at_other) else other
