"""Checks of the wiring: the circuit and the contacts of the range switch, sections the wrong way round, the meter's own supply."""

from collections.abc import Iterator

from harness.core.quantities import format_quantity
from harness.design.check_result import DesignFinding, in_the_way, not_known, worth_knowing, wrong
from harness.files.device import Device, Range
from harness.results import Reason

_CIRCUIT = {
    "secondary": in_the_way(
        "range switch opens the secondary: under current its voltage there is DANGEROUS; switch the primary, or "
        "short the secondary before the switch moves"
    ),
    "primary": worth_knowing("range switch opens the load's circuit: turn it only with the load off"),
    None: in_the_way(
        "range switch: switch_breaks is not given; trace its contacts, supply disconnected: they must carry the load's current, "
        "never the secondary's (open under current, it is DANGEROUS)"
    ),
}
"""What is found by the circuit the switch opens, which must never be the secondary."""

_CONTACTS = {
    "make before break": wrong(
        "range switch makes before it breaks: while it turns, the windings of two ranges are in circuit at once and their "
        "ends bridged; fit one that breaks before it makes"
    ),
    None: not_known(
        "range switch: switch_contacts is not given; see by ohmmeter, supply disconnected, whether two positions are ever "
        "connected while it turns slowly: it must break before it makes",
        Reason.of("open-switch-contacts"),
    ),
}
"""Common practice, no published source: a switch between windings breaks before it makes."""


def range_switch(device: Device) -> Iterator[DesignFinding]:
    """All checks of the switch but its current, and what to look for where the file says nothing."""
    path = device.path
    yield _CIRCUIT[path.switch_breaks]
    yield from _voltage(path.switch_voltage, path.supply_voltage)
    if path.switch_contacts in _CONTACTS:
        yield _CONTACTS[path.switch_contacts]
    if path.switch_approval is None:
        yield not_known(
            "range switch: switch_approval is not given; look for the mark of a test house and a standard on it, such as "
            'IEC 61058-1 (switches for appliances); "none" if there is none',
            Reason.of("open-switch-approval"),
        )
    elif path.switch_approval.strip().lower() == "none":
        yield wrong(
            "range switch: has no approval, so its stated voltage and current are not attested; fit an approved one"
        )


def _voltage(stands: float | None, supply: float | None) -> Iterator[DesignFinding]:
    if stands is None or supply is None:
        missing = [key for key, value in (("switch_voltage", stands), ("supply_voltage", supply)) if value is None]
        yield not_known(
            f"range switch: {' and '.join(missing)} not given; look for the volts printed beside its amperes (AC, or ~), which "
            "must not be below those of the supply",
            Reason.of("open-switch-voltage", keys=tuple(missing)),
        )
    elif stands * (1 + 1e-9) < supply:
        have, need = format_quantity(stands, "V", 3), format_quantity(supply, "V", 3)
        yield in_the_way(f"range switch: rated {have}, the supply has {need}; fit one rated {need} AC or more")


def bypass(device: Device, rng: Range) -> Iterator[DesignFinding]:
    """What a range that bypasses the switch is to be looked at for: a run cannot tell whether its current does."""
    if rng.bypasses_switch:
        yield worth_knowing(
            f"bypasses the range switch ({format_quantity(device.path.switch, 'A', 3)}), as stated: no reading shows that. With the "
            "supply disconnected and locked off, see by ohmmeter that its path stays the same in every position of the switch",
            rng.name,
        )


def section_reversed(device: Device, rng: Range) -> Iterator[DesignFinding]:
    """The reading of a series range whose own section is connected the wrong way round."""
    if rng.wiring != "series":
        return
    own = device.added_turns(rng)
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
        yield wrong(
            "meter's supply tapped behind the sensor: it reads its own draw as load; take it from before the sensor"
        )
    elif device.path.supply_tapped is None:
        yield not_known(
            "meter's supply: supply_tapped is not given; follow its lead: on the load's side of the turns the meter reads "
            "its own draw",
            Reason.of("open-supply-tapped"),
        )
