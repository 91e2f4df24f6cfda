"""The turns required for a wanted smallest current, and the maximum test current they leave."""

import math
from dataclasses import dataclass

from harness.current_limits.ratings import CurrentLimit, device_parts
from harness.design.check_result import amperes
from harness.design.conductors import SQUARE_MILLIMETRE, cord_for
from harness.files.device import Device


@dataclass(frozen=True)
class Wanted:
    """A range of `turns` that reads from `smallest` amperes, which is at or below the `asked` one.

    `display_factor` undoes its turns. `limit` is the most the device's parts stand with them; `full_scale` the primary amperes at the
    transformer's rated secondary current. `already` names the existing range that already reads the asked current (None: none does),
    `meets` the next coarser existing range, and `unread` is the (from, to) between the new range's top and where that one begins to read,
    None when they meet. `conductor` is the m^2 a cord for the top usually has, None above the table.
    """

    asked: float
    turns: int
    smallest: float
    display_factor: float
    full_scale: float
    limit: CurrentLimit
    already: str | None
    meets: str | None
    unread: tuple[float, float] | None
    conductor: float | None


def turns_for(device: Device, smallest: float) -> Wanted:
    """The fewest turns with which the display reads a primary current of `smallest` amperes.

    N primary passes make N times the ampere-turns, so the turns are the threshold of one turn over the wanted current, rounded up.
    """
    base, threshold = device.ranges[0], device.display.smallest_readable_current
    one_turn = threshold * base.display_factor * base.primary_turns
    turns = max(1, math.ceil(one_turn / smallest * (1 - 1e-9)))
    factor = base.display_factor * base.primary_turns / turns
    parts = device_parts(device, float(turns), ())
    top = min(parts, key=lambda part: part.current)
    full_scale = device.transformer.rated_secondary_current * device.transformer.secondary_turns / turns
    coarser = max((r for r in device.ranges if r.primary_turns < turns), key=lambda r: r.primary_turns, default=None)
    readable = (r for r in device.ranges if threshold * r.display_factor <= smallest * (1 + 1e-9) <= r.maximum_current)
    already = next(readable, None)
    unread = None
    if coarser is not None and threshold * coarser.display_factor > top.current:
        unread = (top.current, threshold * coarser.display_factor)
    return Wanted(
        asked=smallest,
        turns=turns,
        smallest=one_turn / turns,
        display_factor=factor,
        full_scale=full_scale,
        limit=top,
        already=None if already is None else already.name,
        meets=None if coarser is None else coarser.name,
        unread=unread,
        conductor=cord_for(min(top.current, full_scale)),
    )


def wanted_text(wanted: Wanted) -> list[str]:
    lines = [
        f"{wanted.turns} {'turn reads' if wanted.turns == 1 else 'turns read'} from {amperes(wanted.smallest)}; display_factor = {wanted.display_factor:.6g}",
        f"at the top: {amperes(wanted.limit.current)} at most ({wanted.limit.set_by}), "
        f"{amperes(wanted.full_scale)} at the rated secondary current",
    ]
    if wanted.conductor is not None:
        lines.append(
            f"a cord of {wanted.conductor / SQUARE_MILLIMETRE:g} mm2 or more usually carries that; all turns must fit "
            "through the window"
        )
    if wanted.already is not None:
        lines.append(f"range {wanted.already} already reads {amperes(wanted.asked)}: nothing needs winding for it")
    if wanted.unread is not None:
        low, high = wanted.unread
        lines.append(f"gap: {amperes(low)} to {amperes(high)} reads neither there nor on {wanted.meets}")
    elif wanted.meets is not None and wanted.already is None:
        lines.append(f"above that, {wanted.meets} takes over without a gap")
    return lines
