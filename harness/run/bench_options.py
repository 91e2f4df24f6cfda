"""Options of a procedure that depend on the bench, beside the operator's choices."""

from collections.abc import Container, Iterable
from dataclasses import replace
from math import inf
from typing import Protocol

from harness.core.errors import Abandoned
from harness.current_limits.maximum_test_current import too_large
from harness.evaluation.ratio.reference_shape import not_comparable
from harness.files.bench import Bench
from harness.files.device import Device
from harness.run.reference_rules import scale_for
from harness.run.time_on import time_on
from harness.steps import Options
from instruments.operator.person import SECONDS_TO_ACT

POWER_FACTORS = (1.0, 0.5, -0.8)
"""Power factors set on an adjustable load: unity, 0.5 lagging, 0.8 leading, as in the tables of IEC 62053-21."""


class Settable(Protocol):
    """The adjustable range of a load."""

    @property
    def least_current(self) -> float:
        """The smallest current in amperes; 0 when it can be any."""

    def takes_power_factor(self, power_factor: float) -> bool:
        """Whether it can be set to `power_factor`, negative for a leading current."""


def with_bench(options: Options, device: Device, bench: Bench, load: Settable) -> Options:
    """`options` with what the bench can do, and its `load`. Raises Abandoned where no load on the shelf may be plugged in."""
    standard, unusable = bench.check_standard, too_large(device, bench)
    shelf = [load for load in bench.entry("load").shelf if load.current not in unusable]
    usable = _without(bench.shelf_currents, unusable)
    if unusable and not usable:
        raise Abandoned(f"no load on the shelf may be plugged in: {'; '.join(unusable.values())}")
    return replace(
        options,
        available=usable,
        longest_on={current: _planned(bench, current) for current in usable},
        known_loads=() if bench.entry("reference").power is not None else _without(bench.known_loads, unusable),
        power_factors=tuple(f for f in POWER_FACTORS if load.takes_power_factor(f)),
        least_current=max(load.least_current, bench.entry("load").minimum_current or 0.0),
        check_current=None if standard is None else standard.current,
        sines=tuple(load.current for load in shelf if load.sinusoidal),
        crest_factors={
            load.current: load.largest_crest_factor
            for load in shelf
            if load.sinusoidal or (load.sinusoidal is False and not not_comparable(bench, load))
        },
    )


def _without(currents: Iterable[float], unusable: Container[float]) -> tuple[float, ...]:
    return tuple(current for current in currents if current not in unusable)


def _planned(bench: Bench, current: float) -> float:
    """Longest seconds for reading at the load of `current` at a time: connecting and disconnecting take some of its time on."""
    found = time_on(bench, current, scale_for(bench, current))
    return inf if found is None else max(0.0, found.seconds - 2 * SECONDS_TO_ACT)
