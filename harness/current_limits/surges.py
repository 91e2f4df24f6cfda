"""What the meter's own parts withstand while a load is switched on, as currents of the primary conductor: a peak, and the melting of fuses.

The transformer is taken as free of error: a core that saturates passes less.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.current_limits.ratings import own
from harness.files.device import Device, Range

PART_OF_I2T = 0.38
"""Part of its melting I2t that a fuse withstands some thousand times (common practice, no published source; value from memory)."""


@dataclass(frozen=True)
class FuseSurge:
    """I2t in A^2 s of the primary current that a fuse withstands again and again; None where its melting I2t is not stated, in `key`."""

    name: str
    i2t: float | None
    key: str


def input_peak(device: Device, turns: float) -> float:
    """Largest peak of the primary current in amperes, for a moment, that the meter's input withstands with `turns` turns in circuit."""
    transformer = device.transformer
    peak = transformer.largest_secondary_surge
    if peak is None:
        peak = math.sqrt(2) * transformer.maximum_secondary_current
    return peak * transformer.secondary_turns / turns


def fuse_surges(device: Device, turns: float, ranges: Sequence[Range]) -> Iterator[FuseSurge]:
    """Every fuse that the current goes through with `turns` turns in circuit, in the own parts of `ranges`, and in the secondary."""
    path = device.path
    if path.secondary_fuse is not None:
        ratio = device.transformer.secondary_turns / turns
        seen = None if path.secondary_fuse_i2t is None else path.secondary_fuse_i2t * ratio**2
        yield _surge("secondary fuse", seen, "secondary_fuse_i2t")
    if path.fuse is not None and path.fuse_type != "breaker":
        yield _surge("fuse", path.fuse_i2t, "fuse_i2t")
    for section in dict.fromkeys(section for rng in ranges for section in device.in_circuit(rng)):
        if section.fuse is not None and section.fuse_type != "breaker":
            yield _surge(own("fuse", section), section.fuse_i2t, f"fuse_i2t of {section.name}")


def _surge(name: str, melting: float | None, key: str) -> FuseSurge:
    return FuseSurge(name, None if melting is None else PART_OF_I2T * melting, key)


def core_charge(device: Device, turns: float) -> float | None:
    """Ampere-seconds of the primary, one way, that the core follows from no flux up to its knee; None where the file does not say enough.

    The secondary drives them through its loop: volt-seconds are those of the loop's resistance, and at the knee a sine of the knee-point e.m.f.
    E has sqrt(2) E / (2 pi f) of them (Faraday's law).
    """
    transformer, path = device.transformer, device.path
    if transformer.knee_voltage is None or transformer.winding_resistance is None:
        return None
    if path.secondary_fuse is not None and path.secondary_fuse_resistance is None:
        return None
    loop = transformer.winding_resistance + transformer.burden + (path.secondary_fuse_resistance or 0.0)
    flux = math.sqrt(2) * transformer.knee_voltage / (2 * math.pi * transformer.frequency)
    return flux / loop * transformer.secondary_turns / turns
