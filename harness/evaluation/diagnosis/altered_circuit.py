"""The circuit in each position of the range switch, and how a cause changes it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np

from harness.core.arrays import Array, Flags, Indices
from harness.evaluation.diagnosis.cause_schema import Cause
from harness.files.device import Device, Range


@dataclass(frozen=True)
class Circuit:
    """A circuit, or a stack of them along leading axes; r ranges in the order of the device file.

    `sections` (r,): signed turns that each range adds. `carried` (r, r): whether a position (row) has a section in circuit.
    `added` (r,): turns more in a position alone. `position` (r,): where the switch stands when a range is selected. `multiplied`
    (r,): by what the display multiplies in a position beyond the description. `alive` (): the secondary is closed.
    `power_sense` (): -1 when every power is counted backwards.
    """

    sections: Array
    carried: Flags
    added: Array
    position: Indices
    multiplied: Array
    alive: Flags
    power_sense: Array

    def __getitem__(self, indices: Indices) -> Circuit:
        """Those at `indices` of a stack."""
        return Circuit(*(getattr(self, f.name)[indices] for f in fields(self)))

    def turns(self) -> Array:
        """Signed turns in circuit when each range is selected (h, r)."""
        in_position = (self.carried @ self.sections[:, :, None])[:, :, 0] + self.added
        return np.take_along_axis(in_position, self.position, axis=1)

    def display(self) -> Array:
        """By what the display multiplies beyond the description when each range is selected (h, r)."""
        return np.take_along_axis(self.multiplied, self.position, axis=1)


Edit = Callable[[Circuit], Circuit]
"""What a cause changes in every circuit of a stack."""


def stacked(stacks: Sequence[Circuit]) -> Circuit:
    """One stack of all `stacks`."""
    return Circuit(*(np.concatenate([getattr(c, f.name) for c in stacks]) for f in fields(Circuit)))


def circuit_described(device: Device) -> Circuit:
    """The one circuit that the device file has: a series range adds a section to those of the range before."""
    count = len(device.ranges)
    turns = np.array([[float(rng.primary_turns) for rng in device.ranges]])
    sections, carried = turns.copy(), np.eye(count, dtype=bool)[None]
    for i, rng in enumerate(device.ranges):
        if rng.wiring == "series":
            sections[:, i] -= turns[:, i - 1]
            carried[:, i] |= carried[:, i - 1]
    none, ones = np.zeros((1, count)), np.ones((1, count))
    return Circuit(sections, carried, none, np.arange(count)[None], ones, np.ones(1, dtype=bool), np.ones(1))


def edits(cause: Cause, device: Device, rng: Range | None) -> Iterator[tuple[Edit, str]]:
    """Every way `cause` can act on `rng` (None: the device), with any other range concerned; none where one of its verbs means nothing."""
    others = [""]
    if rng is not None:
        if not _possible(cause, device, rng):
            return
        if cause.position == "stood-elsewhere":
            others = [r.name for r in device.ranges if r != rng]
    for other in others:
        yield partial(_edited, cause, device, rng, other), other


def _possible(cause: Cause, device: Device, rng: Range) -> bool:
    series = rng.wiring == "series"
    return not (
        (cause.section and not series)
        or (cause.winding and series)
        or (cause.also_in_circuit and (series or rng == device.ranges[0]))
        or (cause.position == "stays-here" and len(device.ranges) < 2)
        # With two ranges this is the switch that stays where it is.
        or (cause.position == "stood-elsewhere" and len(device.ranges) < 3)
        or (cause.display_factor and rng.display_factor == 1)
        or (cause.range_turns and len(_chain(device, rng)) < 2)
    )


def _chain(device: Device, rng: Range) -> list[int]:
    """Positions of `rng` and of the ranges wired onto it, one after the other."""
    start = device.ranges.index(rng)
    later = itertools.takewhile(lambda i: device.ranges[i].wiring == "series", range(start + 1, len(device.ranges)))
    return [start, *later]


def _edited(cause: Cause, device: Device, rng: Range | None, other: str, circuit: Circuit) -> Circuit:
    if cause.reads == "nothing":
        circuit = replace(circuit, alive=np.zeros_like(circuit.alive))
    if cause.power == "reversed":
        circuit = replace(circuit, power_sense=-circuit.power_sense)
    if rng is None:
        return circuit
    names = [r.name for r in device.ranges]
    here = names.index(rng.name)
    sections, carried, added = circuit.sections.copy(), circuit.carried.copy(), circuit.added.copy()
    position, multiplied = circuit.position.copy(), circuit.multiplied.copy()
    # A turn more or fewer runs the way its section runs, whichever mistake was made first.
    sections[:, here] += np.where(sections[:, here] >= 0, cause.section_turns, -cause.section_turns)
    if cause.section == "reversed":
        sections[:, here] *= -1
    if cause.section == "left-out":
        sections[:, here] = 0.0
    if cause.winding == "reversed":
        sections[:, _chain(device, rng)] *= -1
    if cause.also_in_circuit:
        carried[:, here, :] |= carried[:, here - 1, :]
    added[:, here] += cause.range_turns
    if cause.position == "stays-here":
        position[:] = here
    if cause.position == "stood-elsewhere":
        position[:, here] = names.index(other)
    if cause.display_factor == "applied-twice":
        multiplied[:, here] *= rng.display_factor
    if cause.display_factor == "left-out":
        multiplied[:, here] /= rng.display_factor
    return replace(circuit, sections=sections, carried=carried, added=added, position=position, multiplied=multiplied)
