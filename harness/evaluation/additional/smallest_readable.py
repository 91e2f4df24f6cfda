"""The smallest current a range reads against the smallest it claims, with remarks."""

from __future__ import annotations

from harness.evaluation.ratio.smallest_current import SmallestFound
from harness.evaluation.uncertainty.expanded_uncertainty import stated_or_none
from harness.evaluation.uncertainty.input_quantities import InputQuantities
from harness.files.device import Device, Range
from harness.results import Reason, SmallestCurrent

SET_WITHIN = 0.02
"""The current that flowed may differ this much (relative) from the smallest current claimed."""

AS_DESCRIBED = 0.1
"""The smallest current read may differ this much (relative) beyond its uncertainty from the one described without a remark."""


def smallest_readable_current(
    inputs: InputQuantities, found: SmallestFound, rng: Range
) -> tuple[SmallestCurrent, list[Reason]]:
    """It fails when the smallest current claimed is not read, as far as the uncertainty lets that be said.

    Loads on a shelf come in steps: where none of them lies between the current claimed and the lowest one read, it was not
    shown (verdict None), and the reader is told.
    """
    value = stated_or_none(inputs, found.value)
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
        power_factor_from=stated_or_none(inputs, found.power_factor_from),
        limit=limit,
        verdict="fail" if reasons else None if not_shown else "pass",
        budget=() if found.value is None else inputs.budget(found.value),
    )
    return result, reasons


def remarks(device: Device, rng: Range, smallest: SmallestCurrent) -> list[Reason]:
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
