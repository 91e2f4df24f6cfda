"""From the user's files to a simulated bench: the stand-in for a rehearsal, a demo, or a second program."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.bench import ROLES, Bench, InstrumentEntry, Role
from harness.device import Device
from harness.errors import UserError
from harness.station import resolved_address
from instruments.link import Link, RegisterLink
from instruments.profile import Profile, load_profile
from simulated.bench import SimulatedBench
from simulated.description import (
    BenchDescription,
    InstrumentDescription,
    MeterDescription,
    RangeDescription,
    ScaleDescription,
)
from simulated.faults import parse_fault
from simulated.inprocess import open_register_link, open_text_link

TYPICAL_WINDING_RESISTANCE = 60.0
"""Ohms, where the device file does not know its own: typical for a small 2500-turn core, value from memory."""


def describe(
    device: Device, bench: Bench, bench_file: Path, folders: Sequence[Path], faults: Sequence[str]
) -> BenchDescription:
    """The simulated stand-in's description. Raises UserError for an unknown fault."""
    transformer, display = device.transformer, device.display
    meter = MeterDescription(
        serial=device.identity.serial,
        secondary_turns=transformer.secondary_turns,
        rated_secondary_current=transformer.rated_secondary_current,
        maximum_secondary_current=transformer.maximum_secondary_current,
        secondary_fuse=device.path.secondary_fuse,
        burden=transformer.burden,
        winding_resistance=TYPICAL_WINDING_RESISTANCE
        if transformer.winding_resistance is None
        else transformer.winding_resistance,
        frequency=transformer.frequency,
        resolution=display.resolution,
        smallest_readable_current=display.smallest_readable_current,
        refresh_interval=display.refresh_interval,
        ranges=tuple(
            RangeDescription(
                r.name, r.primary_turns, r.wiring, r.display_factor, r.minimum_current, r.maximum_current
            )
            for r in device.ranges
        ),
    )
    try:
        for fault in faults:
            parse_fault(fault, meter)
    except ValueError as problem:
        raise UserError(str(problem)) from None
    instruments = tuple(_instrument(bench, role, bench_file, folders) for role in ROLES)
    return BenchDescription(
        meter, instruments, bench.reference_path.factor, bench.simulation.seed, tuple(faults)
    )


def _instrument(bench: Bench, role: Role, bench_file: Path, folders: Sequence[Path]) -> InstrumentDescription:
    entry = bench.entry(role)
    return InstrumentDescription(
        name=bench.player(role),
        role=role,
        profile=None if entry.by_person else load_profile(entry.profile, tuple(folders)),
        address=resolved_address(entry.address, bench_file.resolve().parent),
        serial=entry.serial,
        unit_id=entry.unit_id,
        baud_rate=entry.baud_rate,
        scales=tuple(ScaleDescription(s.full_scale, s.of_reading, s.of_range, s.resolution) for s in entry.ranges),
        positions=dict(entry.positions),
        maximum_current=entry.maximum_current,
    )


class TwinLinks:
    """Links into a simulated bench in this process."""

    def __init__(self, simulated: SimulatedBench) -> None:
        self._simulated = simulated

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        """A link to a simulated SCPI instrument."""
        return open_text_link(self._simulated, name)

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        """A link to a simulated Modbus unit."""
        return open_register_link(self._simulated, name)

    def turn_switch(self, range_name: str) -> None:
        """A simulated person turns the simulated switch."""
        self._simulated.turn_switch(range_name)
