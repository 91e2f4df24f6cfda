"""Energy that a register counts with no current, as a power; and how long the standard would have it watched."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.class_tables.power_classes import no_load_class, no_load_period
from harness.evaluation.uncertainty.expanded_uncertainty import stated
from harness.evaluation.uncertainty.input_quantities import InputQuantities
from harness.files.device import Device, Range
from harness.record.observations import ReadingPair
from harness.results import STEPS_OF_ENERGY, NoLoad, Reason, Stated


@dataclass(frozen=True)
class Creep:
    """Energy counted and the register's step, in joules of the primary; the power behind them, in watts.

    No power of `below` watts or more can have flowed unseen: a register that shows n steps more was given less than n + 1.
    """

    energy: float
    resolution: float
    power: Stated
    below: float

    @property
    def found(self) -> bool:
        """Whether it counted more than a wait that began just before a step explains."""
        return abs(self.energy) > STEPS_OF_ENERGY * self.resolution


def creep(device: Device, inputs: InputQuantities, rng: Range, first: ReadingPair, last: ReadingPair) -> Creep | None:
    """The register's rise from `first` to `last` on `rng`; None where the device counts no energy or no time passed.

    The register stands still between its steps and shows only whole ones: each of its two readings is up to one step below
    the energy given to it. It showed what it did at some time between the last refresh before the reading and its end.
    """
    step, key = device.display.energy_resolution, "displayed_energy"
    if step is None or key not in first.also or key not in last.also:
        return None
    step *= rng.display_factor
    energy = (last.also[key] - first.also[key]) * rng.display_factor
    refresh = device.display.refresh_interval
    (began, read_first), (read_last, ended) = first.displayed_times, last.displayed_times
    shortest, longest = read_last - refresh - read_first, ended - (began - refresh)
    if shortest <= 0:
        return None
    rise = energy
    for _ in range(2):
        rise += inputs.own_bound("resolution of the energy register", step / 2, "J")
    lasted = (shortest + longest) / 2
    for read in (read_first - began, ended - read_last):
        lasted += inputs.own_bound("time of the register", (read + refresh) / 2, "s")
    return Creep(energy, step, stated(inputs, rise / lasted), (abs(energy) + step) / shortest)


def creep_period(device: Device, rng: Range, resolution: float, voltage: float) -> float:
    """Seconds the no-load test of the device's class lasts at least on `rng`, for a register of `resolution` joules."""
    return no_load_period(no_load_class(device.claim.power_class), resolution, voltage, rng.maximum_current)


def watched_too_short(device: Device, on: str, found: NoLoad | None) -> list[Reason]:
    """A note on range `on` when creep was watched for less than `creep_period`."""
    if found is None or found.creep_period is None or found.seconds >= found.creep_period:
        return []
    claimed = device.claim.power_class
    standard, _, name = no_load_class(claimed).rpartition(" ")
    called = "least_demanding" if claimed is None else "class" if claimed == no_load_class(claimed) else "instead"
    return [
        Reason.of(
            "creep-watched-short",
            on,
            seconds=found.seconds,
            least=math.ceil(found.creep_period),
            standard=standard,
            claimed=claimed,
            **{called: name},
        )
    ]
