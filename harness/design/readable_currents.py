"""Readable currents of the ranges: the smallest current, the display factor, and the limits of neighbours."""

from collections.abc import Iterator
from itertools import pairwise

from harness.claims.limits_of_error import limit_of_error
from harness.core.quantities import format_percent
from harness.design.check_result import DesignFinding, Neighbours, amperes, in_the_way, worth_knowing, wrong
from harness.design.weak_parts import maximum_current_on_paper
from harness.files.device import Device, Range


def smallest_readable(device: Device, rng: Range) -> float:
    """Primary amperes below which the display reads 0."""
    return device.display.smallest_readable_current * rng.display_factor


def readable_from_claim(device: Device, rng: Range) -> Iterator[DesignFinding]:
    readable = smallest_readable(device, rng)
    if rng.minimum_current < readable * (1 - 1e-9):
        yield in_the_way(
            f"smallest current: claims from {amperes(rng.minimum_current)}, the display reads 0 below {amperes(readable)}; "
            "raise minimum_current or wind more turns",
            rng.name,
        )


def display_factor_finding(device: Device, rng: Range) -> Iterator[DesignFinding]:
    """Checks that the display factor undoes the turns as on the base range: N passes read N times (1/N the factor)."""
    base = device.ranges[0]
    right = base.display_factor * base.primary_turns / rng.primary_turns
    error = rng.display_factor / right - 1
    if abs(error) < 1e-6:
        return
    allowed = limit_of_error(device, rng, rng.maximum_current)
    yield (in_the_way if abs(error) > allowed else worth_knowing)(
        f"display factor: {rng.display_factor:g} reads {format_percent(error, '+.2f')} wrong on {rng.primary_turns} turns, "
        f"the claim allows {allowed * 100:.3g} %; {right:.6g} is right",
        rng.name,
    )


def register_counts(device: Device) -> Iterator[DesignFinding]:
    """The register of the meter counts displayed power, whatever the range."""
    factors = {rng.name: rng.display_factor for rng in device.ranges if rng.display_factor != 1}
    if device.display.energy_resolution is None or not factors:
        return
    times = ", ".join(f"{1 / factor:.3g} times the energy on {name}" for name, factor in factors.items())
    yield worth_knowing(
        f"energy register: it counts {times}; what it counted is of use while one range is kept, and worthless across ranges"
    )


def neighbours(device: Device) -> list[Neighbours]:
    """Claimed and readable limits of every two neighbouring ranges."""
    return [
        Neighbours(
            finer=finer.name,
            coarser=coarser.name,
            claimed_from=coarser.minimum_current,
            claimed_to=finer.maximum_current,
            readable_from=smallest_readable(device, coarser),
            readable_to=maximum_current_on_paper(device, finer).current,
        )
        for coarser, finer in pairwise(device.ranges)
    ]


def gap(between: Neighbours) -> Iterator[DesignFinding]:
    """Currents between two neighbours that neither claims, or neither reads."""
    finer, coarser = between.finer, between.coarser
    serves = min(between.claimed_to, between.readable_to)
    reads_from, reads_to, claims_from = map(amperes, (between.readable_from, between.readable_to, between.claimed_from))
    if between.readable_from > between.readable_to * (1 + 1e-9):
        yield wrong(
            f"gap to {coarser}: {finer} carries up to {reads_to}, {coarser} reads from {reads_from}; nothing is read between, "
            "wind a range with turns between theirs",
            finer,
        )
    elif between.claimed_from > serves * (1 + 1e-9):
        yield wrong(
            f"gap to {coarser}: {finer} serves up to {amperes(serves)}, {coarser} claims from {claims_from}; both read from "
            f"{reads_from} to {reads_to}, so claim until they meet",
            finer,
        )
    elif between.claimed_from > serves * (1 - 1e-9):
        text = f"{finer} and {coarser} meet at {claims_from} without overlap; overlap them to compare the two"
        yield worth_knowing(text, finer)
