"""Check that the turns of all ranges fit through the window of the transformer.

Wires are taken as round and straight, side by side in the window. Any circles whose areas make up no more than half of a circle fit into it
(Fekete, Keldenich and Scheffer, Packing Disks into Disks with Optimal Worst-Case Density, SoCG 2019), and equal ones never fill more than
pi / sqrt(12) of it (the densest lattice; Fejes Toth 1942, value from memory). Between the two it depends on how they lie.
"""

import math
from collections.abc import Iterator

from harness.design.check_result import DesignFinding, not_known, worth_knowing, wrong
from harness.files.device import Device
from harness.results import Reason

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
    return math.fsum(wire**2 for wire in _wires(device)) / window**2


def _wires(device: Device) -> list[float]:
    """Outer diameter in metres of each turn in the window."""
    return [r.wire_diameter or 0.0 for r in device.ranges for _ in range(device.added_turns(r))]


def turns_fit(device: Device) -> Iterator[DesignFinding]:
    """Checks the fill factor of the window that the turns of all sections share."""
    filled, wires, window = window_filled(device), sorted(_wires(device)), device.transformer.window_diameter
    passes = len(wires)
    if filled is None or window is None:
        missing = ["transformer.window_diameter"] if window is None else []
        missing += [f"wire_diameter of {r.name}" for r in device.ranges if r.wire_diameter is None]
        yield not_known(
            f"window: {', '.join(missing)} not given; measure the hole and each wire over its insulation, to tell whether all "
            f"{passes} passes fit",
            Reason.of("open-window", passes=passes, keys=tuple(missing)),
        )
        return
    text = (
        f"window: the {passes} {'pass' if passes == 1 else 'passes'} of all ranges fill {filled * 100:.0f} % of the "
        f"{window / _MILLIMETRE:.3g} mm window"
    )
    if sum(wires[-2:]) > window * (1 + 1e-9):
        yield wrong(f"{text}, and its thickest wires do not pass side by side; wind thinner wire")
    elif filled > DENSEST and passes > 1:
        most = f"more than equal round wires ever can ({DENSEST * 100:.0f} %)"
        yield wrong(f"{text}, {most}; wind thinner wire or fewer turns")
    elif filled > SURELY_FITS * (1 + 1e-9) and passes > 1:
        yield not_known(
            f"{text}; up to half of it always fits (round wires side by side); above that try with the wire before winding",
            Reason.of("open-window-full", passes=passes, filled=filled),
        )
    else:
        yield worth_knowing(f"{text}; up to half of it fits, with round wires side by side")
