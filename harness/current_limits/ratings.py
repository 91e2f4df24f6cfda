"""Ratings of the device's own parts, as currents of the primary conductor: the same on paper and on the bench."""

from dataclasses import dataclass

from harness.core.quantities import format_quantity
from harness.files.device import Device, Range


@dataclass(frozen=True)
class CurrentLimit:
    """Largest primary current in amperes, and the part that sets it."""

    current: float
    set_by: str


def claimed(rng: Range) -> CurrentLimit:
    """The largest current the range claims to measure."""
    return CurrentLimit(rng.maximum_current, f"the claim of range {rng.name}")


def device_parts(device: Device, turns: float) -> list[CurrentLimit]:
    """The ratings of the device's parts when `turns` turns carry the current, which parts behind the transformer see times the turns."""
    path, transformer = device.path, device.transformer
    by_turns = f"at {turns:.3g} turns"
    parts = [
        CurrentLimit(
            transformer.maximum_secondary_current * transformer.secondary_turns / turns,
            f"meter input, {format_quantity(transformer.maximum_secondary_current, 'A')} in the secondary {by_turns}",
        ),
        CurrentLimit(path.switch, "range switch"),
        CurrentLimit(path.conductor, "conductor"),
    ]
    if path.secondary_fuse is not None:
        limit = path.secondary_fuse * transformer.secondary_turns / turns
        parts.append(CurrentLimit(limit, f"secondary fuse, {format_quantity(path.secondary_fuse, 'A')} {by_turns}"))
    for rating, name in ((path.fuse, "fuse"), (path.supply_socket, "supply socket")):
        if rating is not None:
            parts.append(CurrentLimit(rating, name))
    return parts
