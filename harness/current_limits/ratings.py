"""Ratings of the device's own parts, as currents of the primary conductor: the same on paper and on the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.quantities import format_quantity
from harness.files.device import Device, Range
from harness.files.shelf_entry import UNKNOWN_CREST_FACTOR
from instruments.waveform_names import SINE_CREST_FACTOR

AGREES = 0.2
"""Turns observed that are this close (relative) to some turns may be these."""


@dataclass(frozen=True)
class CurrentLimit:
    """Largest primary current in amperes, and the part that sets it.

    `by_peak`: what the part withstands or follows is a peak; the current is the effective value of the sine that has it.
    """

    current: float
    set_by: str
    by_peak: bool = False

    def for_crest_factor(self, crest_factor: float) -> CurrentLimit:
        """The largest effective value of a current of that crest factor. One flatter than a sine gains nothing: the part warms by the effective value."""
        if not self.by_peak or crest_factor <= SINE_CREST_FACTOR:
            return self
        least = self.current * SINE_CREST_FACTOR / crest_factor
        counted = f"a crest factor of {crest_factor:.3g}"
        if crest_factor == UNKNOWN_CREST_FACTOR:
            counted = f"a crest factor that is not known, counted as {crest_factor:g}"
        return CurrentLimit(least, f"{self.set_by}, for {counted}", by_peak=True)


def claimed(rng: Range) -> CurrentLimit:
    """The largest current the range claims to measure."""
    return CurrentLimit(rng.maximum_current, f"the claim of range {rng.name}")


def device_parts(device: Device, turns: float, ranges: Sequence[Range]) -> list[CurrentLimit]:
    """The ratings of the device's parts when `turns` turns carry the current, which parts behind the transformer see times the turns.

    `ranges`: those whose own parts count, beside the parts that every range uses. The switch counts unless all of them bypass it.
    """
    path, transformer = device.path, device.transformer
    by_turns = f"at {turns:.3g} turns"
    parts = [
        CurrentLimit(
            transformer.maximum_secondary_current * transformer.secondary_turns / turns,
            f"meter input, {format_quantity(transformer.maximum_secondary_current, 'A')} in the secondary {by_turns}",
            by_peak=True,
        ),
    ]
    if not ranges or not all(rng.bypasses_switch for rng in ranges):
        parts.append(CurrentLimit(path.switch, "range switch"))
    parts.append(CurrentLimit(path.conductor, "conductor"))
    if path.secondary_fuse is not None:
        limit = path.secondary_fuse * transformer.secondary_turns / turns
        parts.append(CurrentLimit(limit, f"secondary fuse, {format_quantity(path.secondary_fuse, 'A')} {by_turns}"))
    named = [(path.fuse, "fuse"), (path.supply_socket, "supply socket")]
    for section in dict.fromkeys(section for rng in ranges for section in device.in_circuit(rng)):
        named += [(section.conductor, own("conductor", section)), (section.fuse, own("fuse", section))]
    return parts + [CurrentLimit(rating, name) for rating, name in named if rating is not None]


def own(part: str, rng: Range) -> str:
    """Name of a part that only the turns of `rng` use."""
    return f"{part} of range {rng.name}"


def ranges_in_the_path(device: Device, rng: Range, observed_turns: float) -> Sequence[Range]:
    """The ranges whose own parts count while `rng` is selected: all that the turns observed do not rule out.

    The current may go through the winding of another range, alone or along with that of any other, and of each a section may be reversed
    or left out. Turns that are not those of `rng` rule out nothing.
    """
    if not turns_agree(observed_turns, rng.primary_turns):
        return device.ranges
    return [r for r in device.ranges if any(turns_agree(observed_turns, turns) for turns in _read_as(device, r))]


def turns_agree(observed: float, turns: int) -> bool:
    return abs(observed - turns) < AGREES * turns


def _read_as(device: Device, rng: Range) -> set[int]:
    """The turns to be read when the winding of `rng` carries the current, alone or along with that of another range."""
    alone = _wound(device, rng)
    # In series all begin with the same section.
    first = device.in_circuit(rng)[0].name
    others = [_wound(device, other) for other in device.ranges if device.in_circuit(other)[0].name != first]
    return alone | {abs(a + sign * b) for other in others for a in other for b in alone for sign in (1, -1)}


def _wound(device: Device, rng: Range) -> set[int]:
    """Turns of the winding of `rng` as described, with one section reversed, or with one before its own left out."""
    added = [device.added_turns(section) for section in device.in_circuit(rng)]
    reversed_once = (abs(rng.primary_turns - 2 * turns) for turns in added)
    return {rng.primary_turns, *reversed_once, *(rng.primary_turns - turns for turns in added[:-1])}
