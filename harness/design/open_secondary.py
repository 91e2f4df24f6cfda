"""The voltage of an open secondary: whether a clamp limits it, wherever the secondary opens, and to how much."""

import math
from collections.abc import Iterator

from harness.core.quantities import format_quantity
from harness.design.check_result import DesignFinding, in_the_way, not_known, worth_knowing
from harness.files.device import Device
from harness.results import Reason

EXTRA_LOW = 50.0 * math.sqrt(2)
"""Peak volts of 50 V AC, the limit of extra-low voltage (IEC 61140 band I; value from memory)."""


def clamp(device: Device) -> Iterator[DesignFinding]:
    """Checks that the voltage of an open secondary is limited, wherever it opens."""
    fused = device.path.secondary_fuse is not None
    opens = "a melted fuse or a loose wire" if fused else "a loose wire"
    if device.path.secondary_clamp == "across winding":
        yield from _limited(device)
    elif device.path.secondary_clamp == "behind fuse":
        yield in_the_way(
            "clamp: behind the fuse it limits nothing once the fuse has melted, and the voltage of the open secondary is "
            "DANGEROUS; put it across the winding, ahead of the fuse"
        )
    elif device.path.secondary_clamp is None:
        text = (
            f"clamp: secondary_clamp is not given; {opens} leaves the secondary open under current, and the voltage there is "
            'DANGEROUS. Look for a voltage limiter or shorting device across the winding, ahead of any fuse; "none" if there is none'
        )
        yield in_the_way(text) if fused else not_known(text, Reason.of("open-clamp"))
    else:
        text = f"clamp: there is none; {opens} leaves the secondary open under current, and the voltage there is DANGEROUS; fit one "
        yield (
            in_the_way(f"{text}across the winding, ahead of the fuse")
            if fused
            else worth_knowing(f"{text}across the winding")
        )


def _limited(device: Device) -> Iterator[DesignFinding]:
    limit = device.path.secondary_clamp_voltage
    if limit is None:
        yield not_known(
            "clamp: secondary_clamp_voltage is not given; look for the peak voltage it limits to, and that it stands the "
            "secondary current for as long as a fault lasts",
            Reason.of("open-clamp-voltage"),
        )
        return
    loop = device.transformer.burden + (device.path.secondary_fuse_resistance or 0.0)
    usual = math.sqrt(2) * device.transformer.maximum_secondary_current * loop
    limited, shown = format_quantity(limit, "V", 3), format_quantity(usual, "V", 3)
    if limit <= usual:
        yield in_the_way(
            f"clamp: limits to {limited}, burden and fuse need {shown} at the largest secondary current; fit one above it"
        )
        return
    text = f"clamp: limits an open secondary to {limited} peak; burden and fuse need {shown} at most"
    if limit > EXTRA_LOW:
        text += f"; that is above extra-low voltage ({format_quantity(EXTRA_LOW, 'V', 2)} peak), do not touch it"
    yield worth_knowing(text)
