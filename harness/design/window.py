"""Check that the turns of all ranges fit through the window of the transformer.

Wires are taken as round and straight, side by side in the window. Any circles whose areas make up no more than half of a circle fit into it
(Fekete, Keldenich and Scheffer, Packing Disks into Disks with Optimal Worst-Case Density, SoCG 2019), and equal ones never fill more than
pi / sqrt(12) of it (the densest lattice; Fejes Toth 1942, value from memory). Between the two it depends on how they lie.
"""

from __future__ import annotations

import math

from harness.design.check_result import DesignFinding, added_turns
from harness.files.device import Device

SURELY_FITS = 0.5
"""Part of the window that round wires may fill and surely fit."""

DENSEST = math.pi / math.sqrt(12)
"""Part of the window that equal round wires can fill at the most."""

_MILLIMETRE = 1e-3


def window_filled(device: Device) -> float | None:
    """Part of the window's area that all turns fill; None where a diameter is not known."""
    window = device.transformer.window_diameter
    if window is None or any(r.wire_diameter is None for r in device.ranges):
        return None
    return sum(added_turns(device, r) * (r.wire_diameter or 0.0) ** 2 for r in device.ranges) / window**2


def turns_fit(device: Device) -> list[DesignFinding]:
    """Checks the fill factor of the window that the turns of all sections share."""
    filled, passes = window_filled(device), sum(added_turns(device, r) for r in device.ranges)
    if filled is None or device.transformer.window_diameter is None:
        missing = [] if device.transformer.window_diameter is not None else ["transformer.window_diameter"]
        missing += [f"wire_diameter of {r.name}" for r in device.ranges if r.wire_diameter is None]
        text = (
            f"window: {', '.join(missing)} not given; measure the hole and each wire over its insulation, to tell whether all "
            f"{passes} passes fit"
        )
        return [DesignFinding("not known", "", text)]
    window = f"{device.transformer.window_diameter / _MILLIMETRE:.3g} mm"
    text = f"window: the {passes} {'pass' if passes == 1 else 'passes'} of all ranges fill {filled:.0%} of the {window} window"
    text = text.replace("%", " %")
    wires = sorted((r.wire_diameter or 0.0 for r in device.ranges for _ in range(added_turns(device, r))), reverse=True)
    if sum(wires[:2]) > device.transformer.window_diameter * (1 + 1e-9):
        return [
            DesignFinding(
                "in the way", "", f"{text}, and its thickest wires do not pass side by side; wind thinner wire"
            )
        ]
    if filled > DENSEST and passes > 1:
        text += f", more than equal round wires ever can ({DENSEST:.0%})".replace("%", " %")
        return [DesignFinding("in the way", "", f"{text}; wind thinner wire or fewer turns")]
    if filled > SURELY_FITS * (1 + 1e-9) and passes > 1:
        text += "; up to half of it always fits (round wires side by side); above that try with the wire before winding"
        return [DesignFinding("not known", "", text)]
    return [DesignFinding("worth knowing", "", f"{text}; up to half of it fits, with round wires side by side")]
