"""Remarks on points with one pair far from the others: the pair stays, and the reader is told why U is so large."""

import statistics
from collections.abc import Sequence

from harness.core.outliers import odd_one
from harness.files.bench import Bench
from harness.record.observations import ObservedPoint
from harness.results import Reason

STANDS_OUT = 10
"""A pair is remarked beyond so many times what readings may differ by and what the others lie apart: scatter is no odd one."""


def apart(points: Sequence[ObservedPoint], bench: Bench, displayed_step: float) -> list[Reason]:
    """One remark for each point with a pair whose display departs from its reference unlike the others; `displayed_step` in displayed amperes.

    A current that wanders is seen by both and is not remarked.
    """
    remarks = []
    for point in points:
        reference = [p.reference for p in point.pairs]
        displayed = [p.displayed for p in point.pairs]
        middle = statistics.median(reference)
        if not middle:
            continue
        ratio = statistics.median(displayed) / middle
        left = [x - ratio * i for x, i in zip(displayed, reference, strict=True)]
        step = displayed_step + abs(ratio) * bench.reference_range(point.reference_scale).resolution
        odd = odd_one(left, STANDS_OUT * step, STANDS_OUT * statistics.median(displayed))
        if odd is None:
            continue
        others = left[:odd] + left[odd + 1 :]
        if abs(left[odd] - statistics.median(others)) <= STANDS_OUT * (max(others) - min(others)):
            continue
        remarks.append(
            Reason.of(
                "pair-apart",
                point.range,
                current=middle * bench.reference_path.factor,
                pairs=len(left),
                reference=reference[odd],
                displayed=displayed[odd],
            )
        )
    return remarks
