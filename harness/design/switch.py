"""Checks of the range switch: the circuit it opens, its voltage, its contacts, its approval."""

from __future__ import annotations

from harness.core.quantities import format_quantity
from harness.design.check_result import DesignFinding
from harness.files.device import Device


def range_switch(device: Device) -> list[DesignFinding]:
    """All checks of the switch but its current, and what to look for where the file says nothing."""
    return [*_circuit(device), *_voltage(device), *_contacts(device), *_approval(device)]


def _circuit(device: Device) -> list[DesignFinding]:
    """Checks that the range switch never opens the secondary."""
    if device.path.switch_breaks == "secondary":
        text = (
            "range switch opens the secondary: under current its voltage there is DANGEROUS; switch the primary, or "
            "short the secondary before the switch moves"
        )
        return [DesignFinding("in the way", "", text)]
    if device.path.switch_breaks == "primary":
        text = "range switch opens the load's circuit: turn it only with the load off"
        return [DesignFinding("worth knowing", "", text)]
    text = (
        "range switch: switch_breaks is not given; trace its contacts: they must carry the load's current, never the "
        "secondary's (open under current, it is DANGEROUS)"
    )
    return [DesignFinding("not known", "", text)]


def _voltage(device: Device) -> list[DesignFinding]:
    stands, supply = device.path.switch_voltage, device.path.supply_voltage
    if stands is None or supply is None:
        missing = [key for key, value in (("switch_voltage", stands), ("supply_voltage", supply)) if value is None]
        text = (
            f"range switch: {' and '.join(missing)} not given; look for the volts printed beside its amperes (AC, or ~), which "
            "must not be below those of the supply"
        )
        return [DesignFinding("not known", "", text)]
    if stands * (1 + 1e-9) < supply:
        have, need = format_quantity(stands, "V", 3), format_quantity(supply, "V", 3)
        text = f"range switch: rated {have}, the supply has {need}; fit one rated {need} AC or more"
        return [DesignFinding("in the way", "", text)]
    return []


def _contacts(device: Device) -> list[DesignFinding]:
    """Common practice, no published source: a switch between windings breaks before it makes."""
    contacts = device.path.switch_contacts
    if contacts == "break before make":
        return []
    if contacts == "make before break":
        text = (
            "range switch makes before it breaks: while it turns, the windings of two ranges are in circuit at once and their "
            "ends bridged; fit one that breaks before it makes"
        )
        return [DesignFinding("in the way", "", text)]
    text = (
        "range switch: switch_contacts is not given; see by ohmmeter, supply disconnected, whether two positions are ever "
        "connected while it turns slowly: it must break before it makes"
    )
    return [DesignFinding("not known", "", text)]


def _approval(device: Device) -> list[DesignFinding]:
    approval = device.path.switch_approval
    if approval is None:
        text = (
            "range switch: switch_approval is not given; look for the mark of a test house and a standard on it, such as "
            'IEC 61058-1 (switches for appliances); "none" if there is none'
        )
        return [DesignFinding("not known", "", text)]
    if approval.strip().lower() == "none":
        text = "range switch: has no approval, so its stated voltage and current are not attested; fit an approved one"
        return [DesignFinding("in the way", "", text)]
    return []
