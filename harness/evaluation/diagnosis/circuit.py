"""The circuit in each position of the range switch, and how a cause changes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from harness.causes import Cause
from harness.files.device import Device, Range


@dataclass(frozen=True)
class Circuit:
    """Keys are names of ranges. `sections`: signed turns that each range adds. `carried`: the sections in circuit in a position.

    `added`: turns more in a position alone. `position`: where the switch stands when a range is selected. `multiplied`: by what
    the display multiplies in a position beyond the description. `alive`: the secondary is closed. `power_sense`: -1 when
    every power is counted backwards.
    """

    sections: Mapping[str, float]
    carried: Mapping[str, tuple[str, ...]]
    added: Mapping[str, float]
    position: Mapping[str, str]
    multiplied: Mapping[str, float]
    alive: bool = True
    power_sense: int = 1

    def turns(self, selected: str) -> float:
        stands = self.position[selected]
        return sum(self.sections[name] for name in self.carried[stands]) + self.added.get(stands, 0.0)


Edit = Callable[[Circuit], Circuit]


def circuit_described(device: Device) -> Circuit:
    """The circuit as the device file has it: a series range adds a section to those of the range before."""
    sections: dict[str, float] = {}
    carried: dict[str, tuple[str, ...]] = {}
    before: tuple[str, ...] = ()
    for rng in device.ranges:
        before = (*before, rng.name) if rng.wiring == "series" else (rng.name,)
        carried[rng.name] = before
        sections[rng.name] = float(rng.primary_turns - sum(sections[name] for name in before[:-1]))
    names = [rng.name for rng in device.ranges]
    return Circuit(sections, carried, {}, {n: n for n in names}, dict.fromkeys(names, 1.0))


def edits(cause: Cause, device: Device, rng: Range | None) -> Iterator[tuple[Edit, str]]:
    """Every way `cause` can act on `rng` (None: the device), with any other range concerned; none where one of its verbs means nothing."""
    others = [""]
    if rng is not None:
        if not _possible(cause, device, rng):
            return
        if cause.position == "stood-elsewhere":
            others = [r.name for r in device.ranges if r != rng]
    for other in others:
        yield _edit(cause, device, rng, other), other


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


def _chain(device: Device, rng: Range) -> list[str]:
    found = [rng.name]
    for later in device.ranges[device.ranges.index(rng) + 1 :]:
        if later.wiring != "series":
            break
        found.append(later.name)
    return found


def _edit(cause: Cause, device: Device, rng: Range | None, other: str) -> Edit:
    def apply(circuit: Circuit) -> Circuit:
        if cause.reads == "nothing":
            circuit = replace(circuit, alive=False)
        if cause.power == "reversed":
            circuit = replace(circuit, power_sense=-circuit.power_sense)
        return circuit if rng is None else _on_range(circuit, cause, device, rng, other)

    return apply


def _on_range(circuit: Circuit, cause: Cause, device: Device, rng: Range, other: str) -> Circuit:
    name = rng.name
    sections, carried = dict(circuit.sections), dict(circuit.carried)
    # A turn more or fewer runs the way its section runs, whichever mistake was made first.
    sections[name] += cause.section_turns if sections[name] >= 0 else -cause.section_turns
    if cause.section == "reversed":
        sections[name] = -sections[name]
    if cause.section == "left-out":
        sections[name] = 0.0
    if cause.winding == "reversed":
        sections.update({n: -sections[n] for n in _chain(device, rng)})
    if cause.also_in_circuit:
        before = device.ranges[device.ranges.index(rng) - 1].name
        carried[name] = tuple(dict.fromkeys((*carried[before], *carried[name])))
    added = {**circuit.added, name: circuit.added.get(name, 0.0) + cause.range_turns}
    position = dict(circuit.position)
    if cause.position == "stays-here":
        position = dict.fromkeys(position, name)
    if cause.position == "stood-elsewhere":
        position[name] = other
    multiplied = dict(circuit.multiplied)
    if cause.display_factor == "applied-twice":
        multiplied[name] *= rng.display_factor
    if cause.display_factor == "left-out":
        multiplied[name] /= rng.display_factor
    return replace(circuit, sections=sections, carried=carried, added=added, position=position, multiplied=multiplied)
