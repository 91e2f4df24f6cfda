"""Whether readings that should agree do."""

import statistics
from collections.abc import Sequence

ODD, STEPS = 0.005, 5
"""A reading may be this far from the others of its point: relative, plus so many steps of the instrument."""


def odd_one(values: Sequence[float], step: float, size: float | None = None) -> int | None:
    """The place in `values` of the one that is far from the others; None when they agree.

    Far is more than `ODD` of `size` (without it, of their median) and `STEPS` times `step` from their median: what a late
    reply to an earlier question, a corrupted digit or a slip of typing looks like, and what neither noise nor a settled
    current does.
    """
    middle = statistics.median(values)
    distances = [abs(value - middle) for value in values]
    allowed = ODD * abs(middle if size is None else size) + STEPS * step
    return distances.index(max(distances)) if max(distances) > allowed else None
