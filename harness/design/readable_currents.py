"""Readable currents of the ranges: the smallest current, the display factor, and the limits of neighbours."""

from __future__ import annotations

from harness.claims.limits_of_error import limit_of_error
from harness.core.quantities import format_percent
from harness.design.check_result import DesignFinding, Neighbours
from harness.design.protection import amperes, maximum_current_on_paper
from harness.files.device import Device, Range


def smallest_readable(device: Device, rng: Range) -> float:
    """Primary amperes below which the display reads 0."""
    return device.display.smallest_readable_current * rng.display_factor


def readable_from_claim(device: Device, rng: Range) -> list[DesignFinding]:
    readable = smallest_readable(device, rng)
    if rng.minimum_current >= readable * (1 - 1e-9):
        return []
    text = (
        f"smallest current: claims from {amperes(rng.minimum_current)}, the display reads 0 below {amperes(readable)}; "
        "raise minimum_current or wind more turns"
    )
    return [DesignFinding("in the way", rng.name, text)]


def display_factor_finding(device: Device, rng: Range) -> list[DesignFinding]:
    """Checks that the display factor undoes the turns as on the base range: N passes read N times (1/N the factor)."""
    base = device.ranges[0]
    right = base.display_factor * base.primary_turns / rng.primary_turns
    error = rng.display_factor / right - 1
    if abs(error) < 1e-6:
        return []
    allowed = limit_of_error(device, rng, rng.maximum_current)
    text = (
        f"display factor: {rng.display_factor:g} reads {format_percent(error, '+.2f')} wrong on {rng.primary_turns} turns, "
        f"the claim allows {allowed * 100:.3g} %; {right:.6g} is right"
    )
    return [DesignFinding("in the way" if abs(error) > allowed else "worth knowing", rng.name, text)]


def neighbours(device: Device) -> list[Neighbours]:
    """Claimed and readable limits of every two neighbouring ranges."""
    pairs = zip(device.ranges, device.ranges[1:], strict=False)
    return [
        Neighbours(
            finer=finer.name,
            coarser=coarser.name,
            claimed_from=coarser.minimum_current,
            claimed_to=finer.maximum_current,
            readable_from=smallest_readable(device, coarser),
            readable_to=maximum_current_on_paper(device, finer).current,
        )
        for coarser, finer in pairs
    ]


def gap(between: Neighbours) -> list[DesignFinding]:
    """Currents between two neighbours that neither claims, or neither reads."""
    serves = min(between.claimed_to, between.readable_to)
    upper, lower = amperes(between.claimed_from), amperes(serves)
    if between.readable_from > between.readable_to * (1 + 1e-9):
        text = (
            f"gap to {between.coarser}: {between.finer} carries up to {amperes(between.readable_to)}, "
            f"{between.coarser} reads from {amperes(between.readable_from)}; nothing is read between, wind a range "
            "with turns between theirs"
        )
        return [DesignFinding("in the way", between.finer, text)]
    if between.claimed_from > serves * (1 + 1e-9):
        text = (
            f"gap to {between.coarser}: {between.finer} serves up to {lower}, {between.coarser} claims from {upper}; both "
            f"read from {amperes(between.readable_from)} to {amperes(between.readable_to)}, so claim until they meet"
        )
        return [DesignFinding("in the way", between.finer, text)]
    if between.claimed_from > serves * (1 - 1e-9):
        text = f"{between.finer} and {between.coarser} meet at {upper} without overlap; overlap them to compare the two"
        return [DesignFinding("worth knowing", between.finer, text)]
    return []
