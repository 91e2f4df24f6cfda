"""Whether several readings can be of one steady load at all."""

import math
from collections.abc import Sequence

WILD = 0.1
"""Departure from the mean, as a part of it, beyond which readings are called so (a judgement)."""


def largest_departure(values: Sequence[float]) -> float:
    """The largest departure of `values` from their mean, as a part of it."""
    mean = math.fsum(values) / len(values)
    return max(abs(value - mean) for value in values) / abs(mean) if mean else math.inf


def scatters(values: Sequence[float], what: str) -> list[str]:
    """What is to be said of readings that no single value stands for; nothing where they agree."""
    departure = largest_departure(values) if len(values) > 1 else 0.0
    if departure <= WILD:
        return []
    return [
        f"{what} read depart by up to {departure:.0%} from their mean: the load draws different {what} at times, or a reading is wrong; their mean "
        "is no property of the load"
    ]
