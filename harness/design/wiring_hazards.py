"""Wiring that misreads or endangers: its effect where the file describes it, otherwise what to look for."""

from __future__ import annotations

from harness.design.check_result import DesignFinding, added_turns
from harness.files.device import Device, Range


def section_reversed(device: Device, rng: Range) -> list[DesignFinding]:
    """The reading of a series range whose own section is connected the wrong way round."""
    if rng.wiring != "series":
        return []
    own = added_turns(device, rng)
    before = rng.primary_turns - own
    effective = abs(before - own)
    reads = f"{effective / rng.primary_turns:.0%}".replace("%", " %")
    seen = "nothing" if effective == 0 else f"{reads} of the current"
    text = (
        f"section of {own} turns in series with {before}: reversed, {effective} turns remain and it reads {seen}; "
        "mark start and end, prove it with turns_check"
    )
    return [DesignFinding("worth knowing", rng.name, text)]


def supply_tap(device: Device) -> list[DesignFinding]:
    """Checks that the meter's own supply does not pass through the sensor."""
    tapped = device.path.supply_tapped
    if tapped == "before sensor":
        return []
    if tapped == "behind sensor":
        text = "meter's supply tapped behind the sensor: it reads its own draw as load; take it from before the sensor"
        return [DesignFinding("in the way", "", text)]
    text = (
        "meter's supply: supply_tapped is not given; follow its lead: on the load's side of the turns the meter reads "
        "its own draw"
    )
    return [DesignFinding("not known", "", text)]
