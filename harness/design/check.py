"""The check on paper: a device file in, a sheet of numbers and findings out. Nothing is powered or read."""

from collections.abc import Iterator
from typing import get_args

from harness.design.check_result import DesignCheck, DesignFinding, Grade, RangeSheet, not_known, secondary_of
from harness.design.conductors import heat_per_metre
from harness.design.expected_error import error_findings, expected
from harness.design.fuse_melting_times import melting_window
from harness.design.open_secondary import clamp
from harness.design.peaks import input_clips, peaks, surges
from harness.design.readable_currents import (
    display_factor_finding,
    gap,
    neighbours,
    readable_from_claim,
    register_counts,
    smallest_readable,
)
from harness.design.secondary_fuse import input_protected, secondary_fuse_findings
from harness.design.supply import supplied, supply_of
from harness.design.weak_parts import conductor_rating, maximum_current_on_paper, weak_parts
from harness.design.window import turns_fit
from harness.design.wiring import bypass, range_switch, section_reversed, supply_tap
from harness.files.device import Device, Range
from harness.results import Reason


def check(device: Device) -> DesignCheck:
    """Every finding from the device file alone; the gravest first, then in the order of the ranges."""
    between = neighbours(device)
    findings = [
        *range_switch(device),
        *supply_tap(device),
        *supplied(device),
        *secondary_fuse_findings(device),
        *clamp(device),
        *turns_fit(device),
        *register_counts(device),
        *surges(device),
    ]
    for rng in device.ranges:
        findings += [
            *weak_parts(device, rng),
            *input_protected(device, rng),
            *input_clips(device, rng),
            *readable_from_claim(device, rng),
            *display_factor_finding(device, rng),
            *section_reversed(device, rng),
            *bypass(device, rng),
        ]
    for pair in between:
        findings += gap(pair)
    findings += [*_unsized(device), *error_findings(device)]
    ratio, phase = expected(device) or (None, None)
    return DesignCheck(
        ranges=tuple(_range_sheet(device, rng) for rng in device.ranges),
        neighbours=tuple(between),
        ratio_error=ratio,
        phase_displacement=phase,
        findings=tuple(sorted(findings, key=lambda f: get_args(Grade).index(f.grade))),
    )


def _range_sheet(device: Device, rng: Range) -> RangeSheet:
    top, supply, fuse = maximum_current_on_paper(device, rng), supply_of(device, rng), device.path.secondary_fuse
    secondary = secondary_of(device, rng, top.current)
    pushed = None if supply is None else secondary_of(device, rng, supply.operates)
    window = None
    if fuse is not None and pushed is not None:
        window = melting_window(fuse, device.path.secondary_fuse_type, pushed)
    heat = None
    if rng.cross_section is not None and rng.turn_length is not None:
        heat = heat_per_metre(rng.cross_section, top.current) * rng.turn_length * device.added_turns(rng)
    return RangeSheet(
        name=rng.name,
        turns=rng.primary_turns,
        smallest_readable=smallest_readable(device, rng),
        claimed_from=rng.minimum_current,
        claimed_to=rng.maximum_current,
        maximum_test_current=top.current,
        set_by=top.set_by,
        secondary_current=secondary,
        supply_secondary_current=pushed,
        fuse_margin=None if fuse is None else fuse / secondary,
        melting_window=window,
        conductor_rating=conductor_rating(device, rng),
        winding_heat=heat,
        peaks=peaks(device, rng),
    )


def _unsized(device: Device) -> Iterator[DesignFinding]:
    names = [r.name for r in device.ranges if r.cross_section is None]
    if names:
        yield not_known(
            f"conductor: cross_section of {', '.join(names)} is not given; needed to tell what the turns carry",
            Reason.of("open-conductor", ranges=tuple(names)),
        )
