"""Wiring that misreads or endangers: its effect where the file describes it, otherwise what to look for."""

from __future__ import annotations

from collections.abc import Iterator

from harness.design.check_result import DesignFinding, added_turns, in_the_way, not_known, worth_knowing
from harness.files.device import Device, Range


def section_reversed(device: Device, rng: Range) -> Iterator[DesignFinding]:
    """The reading of a series range whose own section is connected the wrong way round."""
    if rng.wiring != "series":
        return
    own = added_turns(device, rng)
    before = rng.primary_turns - own
    effective = abs(before - own)
    seen = f"{effective / rng.primary_turns * 100:.0f} % of the current" if effective else "nothing"
    yield worth_knowing(
        f"section of {own} turns in series with {before}: reversed, {effective} turns remain and it reads {seen}; "
        "mark start and end, prove it with turns_check",
        rng.name,
    )


def supply_tap(device: Device) -> Iterator[DesignFinding]:
    """Checks that the meter's own supply does not pass through the sensor."""
    if device.path.supply_tapped == "behind sensor":
        yield in_the_way(
            "meter's supply tapped behind the sensor: it reads its own draw as load; take it from before the sensor"
        )
    elif device.path.supply_tapped is None:
        yield not_known(
            "meter's supply: supply_tapped is not given; follow its lead: on the load's side of the turns the meter reads "
            "its own draw"
        )
