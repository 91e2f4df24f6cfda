"""Peaks on paper: what crest factor a range follows at each current, and the in-rush its input, fuses and core withstand.

Currents are those of the primary. The input withstands the peak of the sine of its rating, and follows that of `largest_secondary_peak` where it is stated.
"""

import math
from collections.abc import Iterator

from harness.current_limits.surges import core_charge, fuse_surges, input_peak
from harness.design.check_result import DesignFinding, FuseI2t, Peaks, amperes, secondary_of, worth_knowing, wrong
from harness.design.supply import SLACK
from harness.design.weak_parts import maximum_current_on_paper
from harness.files.device import Device, Range

PARTS = (1.0, 0.5, 0.2, 0.1)
"""Parts of the maximum test current at which the crest factor is told."""


def peaks(device: Device, rng: Range) -> Peaks:
    """Peaks and in-rush of `rng`."""
    transformer, turns = device.transformer, float(rng.primary_turns)
    secondary = math.sqrt(2) * transformer.maximum_secondary_current
    if transformer.largest_secondary_peak is not None:
        secondary = min(secondary, transformer.largest_secondary_peak)
    largest, top = secondary * transformer.secondary_turns / turns, maximum_current_on_paper(device, rng).current
    return Peaks(
        largest=largest,
        crest_factors=tuple((part * top, largest / (part * top)) for part in PARTS),
        inrush_peak=input_peak(device, turns),
        inrush_i2t=tuple(FuseI2t(fuse.name, fuse.i2t) for fuse in fuse_surges(device, turns, [rng])),
        inrush_charge=core_charge(device, turns),
    )


def input_clips(device: Device, rng: Range) -> Iterator[DesignFinding]:
    """Checks that the meter's input follows a sine of the largest current claimed."""
    follows = device.transformer.largest_secondary_peak
    peak = math.sqrt(2) * secondary_of(device, rng, rng.maximum_current)
    if follows is not None and peak > follows * SLACK:
        most = follows * rng.maximum_current / peak
        yield wrong(
            f"meter input: clips at a peak of {amperes(follows)}, a sine of {amperes(rng.maximum_current)} has {amperes(peak)} there; lower "
            f"maximum_current to {amperes(most)}",
            rng.name,
        )


def surges(device: Device) -> Iterator[DesignFinding]:
    """The fuses of which nobody can say what in-rush they withstand."""
    all_fuses = (fuse for rng in device.ranges for fuse in fuse_surges(device, float(rng.primary_turns), [rng]))
    if missing := list(dict.fromkeys(fuse.key for fuse in all_fuses if fuse.i2t is None)):
        yield worth_knowing(
            f"in-rush: {', '.join(missing)} not given, so what the fuse withstands while a load is switched on is not known; its data sheet "
            "states the melting I2t"
        )
