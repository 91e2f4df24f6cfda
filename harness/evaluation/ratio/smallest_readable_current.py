"""The smallest current a range reads, against the smallest it claims, and where the power factor displayed falls to its default."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.gum_formulas import Distribution, rectangular
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.files.device import Device, Range
from harness.record.observations import ObservedPoint
from harness.results import Reason, SmallestCurrent

SHARE_SCATTER_WITHIN = 1.1
"""Points that read within this ratio of the lowest one show the same scatter, and share it."""

SET_WITHIN = 0.02
"""The current that flowed may differ this much (relative) from the smallest current claimed."""

AS_DESCRIBED = 0.1
"""The smallest current read may differ this much (relative) beyond its uncertainty from the one described without a remark."""


@dataclass(frozen=True)
class SmallestFound:
    """Reference currents in amperes, uncertain. `lowest_reading` and `highest_silent` are what was applied on either side.

    `value` is None when every point read or none did; `power_factor_from` when the device shows none, or where no load
    was other than the default.
    """

    value: Any | None
    lowest_reading: float | None
    highest_silent: float | None
    power_factor_from: Any | None


def smallest_found(
    device: Device, inputs: InputQuantities, points: Sequence[PointValues], rng: Range
) -> SmallestFound | None:
    """The search result of `rng`; None when it has no search points.

    A point reads when at least half of its displayed values are not zero, so that the display's own noise leaves the
    current found where it is on the average.
    """
    own = [p for p in points if p.observed.range == rng.name]
    if not own:
        return None

    def reads(point: PointValues) -> bool:
        return _part(point.observed, lambda pair: pair.displayed != 0) >= 0.5

    def measured(point: PointValues) -> bool:
        default = device.display.default_power_factor
        return _part(point.observed, lambda pair: abs(pair.also["displayed_power_factor"] - default) > 1e-9) >= 0.5

    shown = [p for p in own if all("displayed_power_factor" in pair.also for pair in p.observed.pairs)]
    # At a load of the default's own power factor both look alike.
    lagging = [p for p in shown if p.observed.power_factor is not None and abs(p.observed.power_factor) < 0.9]
    return SmallestFound(
        value=_between(device, inputs, rng, own, reads),
        lowest_reading=min((nominal(p.reference) for p in own if reads(p)), default=None),
        highest_silent=max((nominal(p.reference) for p in own if not reads(p)), default=None),
        power_factor_from=_between(device, inputs, rng, lagging, measured) if lagging else None,
    )


def smallest_readable_current(
    inputs: InputQuantities, found: SmallestFound, rng: Range
) -> tuple[SmallestCurrent, list[Reason]]:
    """It fails when the smallest current claimed is not read, as far as the uncertainty lets that be said.

    Loads on a shelf come in steps: where none of them lies between the current claimed and the lowest one read, it was not
    shown (verdict None), and the reader is told.
    """
    value = inputs.stated_or_none(found.value)
    limit, reasons = rng.minimum_current, list[Reason]()
    reach = found.lowest_reading if value is None else value.value + value.expanded_uncertainty
    short = reach is None or reach > limit * (1 + SET_WITHIN)
    silent = found.highest_silent
    in_steps = bool(inputs.bench.shelf_currents) and found.lowest_reading is not None
    not_shown = short and in_steps and (silent is None or silent < limit)
    if short and not not_shown:
        code = "nothing-read" if reach is None else "smallest-not-read"
        reasons.append(Reason.of(code, rng.name, current=reach, claimed=limit))
    result = SmallestCurrent(
        found=value,
        lowest_reading=found.lowest_reading,
        highest_silent=found.highest_silent,
        power_factor_from=inputs.stated_or_none(found.power_factor_from),
        limit=limit,
        verdict="fail" if reasons else None if not_shown else "pass",
        budget=() if found.value is None else inputs.budget(found.value),
    )
    return result, reasons


def remarks_on_smallest(device: Device, rng: Range, smallest: SmallestCurrent) -> list[Reason]:
    """Remarks: the current claimed was not shown, or another is read than the device file describes."""
    told = []
    if smallest.verdict is None and smallest.lowest_reading is not None:
        told.append(
            Reason.of(
                "smallest-not-shown",
                rng.name,
                claimed=smallest.limit,
                lowest_reading=smallest.lowest_reading,
                highest_silent=smallest.highest_silent,
            )
        )
    described = device.display.smallest_readable_current * rng.display_factor
    found = smallest.found
    if found is not None and abs(found.value - described) > found.expanded_uncertainty + AS_DESCRIBED * described:
        told.append(Reason.of("smallest-not-as-described", rng.name, current=found.value, described=described))
    return told


def _between(
    device: Device,
    inputs: InputQuantities,
    rng: Range,
    points: Sequence[PointValues],
    reads: Callable[[PointValues], bool],
) -> Any | None:
    """The current between the points that read and those that do not, in amperes; None when there is nothing between.

    Where noise makes them overlap, the change is somewhere between the highest silent and the lowest reading all the same.
    """
    above, below = [p for p in points if reads(p)], [p for p in points if not reads(p)]
    if not above or not below:
        return None
    low = max(below, key=lambda p: nominal(p.reference))
    high = min(above, key=lambda p: nominal(p.reference))
    middle = (low.reference + high.reference) / 2
    half = abs(nominal(high.reference) - nominal(low.reference)) / 2
    bracket = inputs.own_bound("interval between reading and not reading", half, "A")
    scatter, freedom = _scatter(
        [p.observed for p in above if nominal(p.reference) <= SHARE_SCATTER_WITHIN * nominal(high.reference)]
    )
    step = rectangular(device.display.resolution / 2)
    distribution: Distribution = "normal"
    if scatter <= step:
        # Rounding can hide all scatter; then the step stands for it.
        scatter, freedom, distribution = step, math.inf, "rectangular"
    seen = scatter * rng.display_factor / len(high.observed.pairs) ** 0.5
    noise = inputs.own("scatter of the display where it begins to read", seen, distribution, freedom, "A")
    return middle + bracket + noise


def _scatter(points: Sequence[ObservedPoint]) -> tuple[float, float]:
    """Standard deviation of the displayed values that are not zero, in displayed amperes, pooled over `points`; degrees of freedom."""
    squares, freedom = 0.0, 0
    for point in points:
        shown = np.array([p.displayed for p in point.pairs if p.displayed != 0])
        if len(shown) < 2:
            continue
        squares += float(((shown - shown.mean()) ** 2).sum())
        freedom += len(shown) - 1
    return (math.sqrt(squares / freedom), float(freedom)) if freedom else (0.0, math.inf)


def _part(observed: ObservedPoint, holds: Callable[[Any], bool]) -> float:
    return sum(holds(pair) for pair in observed.pairs) / len(observed.pairs)
