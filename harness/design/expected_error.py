"""Ratio error and phase displacement expected of the transformer, from its burden and magnetising impedance.

They are the same for all ranges: each winding makes the same ampere-turns at the same secondary current.
"""

import cmath
import math
from collections.abc import Iterator

from harness.claims.limits_of_error import limit_of_error
from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import format_percent, format_quantity
from harness.design.check_result import DesignFinding, not_known, worth_knowing, wrong
from harness.files.device import Device
from harness.results import Reason


def complex_error(series: float, magnetising: complex) -> complex:
    """Error of the secondary current as a fraction: e = -Z / (Zm + Z), with Z the winding and all that follows it.

    The usual equivalent circuit, seen from the secondary; both impedances in ohm.
    """
    return -series / (magnetising + series)


def ratio_and_phase(error: complex) -> tuple[float, float]:
    """Ratio error (a fraction) and phase displacement (rad, positive when the secondary leads) of a complex error."""
    return abs(1 + error) - 1, cmath.phase(1 + error)


def magnetising_impedance(device: Device) -> complex | None:
    """Magnetising impedance in ohm at the rated frequency, seen from the secondary; None when no inductance is given.

    Without a loss angle it is taken as resistive, the worst case for the ratio error.
    """
    transformer = device.transformer
    if transformer.magnetising_inductance is None:
        return None
    magnitude = 2 * math.pi * transformer.frequency * transformer.magnetising_inductance
    loss = transformer.magnetising_loss_angle
    return cmath.rect(magnitude, 0.0 if loss is None else math.pi / 2 - loss)


def missing(device: Device) -> list[str]:
    """Missing keys without which the ratio error has not even a bound."""
    transformer, path = device.transformer, device.path
    needed = {
        "magnetising_inductance (at the secondary, primary open)": transformer.magnetising_inductance,
        "winding_resistance": transformer.winding_resistance,
    }
    if path.secondary_fuse is not None:
        needed["secondary_fuse_resistance (cold, by ohmmeter, fuse taken out)"] = path.secondary_fuse_resistance
    return [key for key, value in needed.items() if value is None]


def expected(device: Device) -> tuple[float, float] | None:
    """Ratio error and phase displacement with winding, burden and fuse; None when an input is unknown."""
    magnetising = magnetising_impedance(device)
    if magnetising is None or missing(device) or device.transformer.magnetising_loss_angle is None:
        return None
    return ratio_and_phase(complex_error(_series(device) + _fuse(device), magnetising))


def error_findings(device: Device) -> Iterator[DesignFinding]:
    """The expected error of the transformer, and the part of it that the secondary fuse adds."""
    magnetising = magnetising_impedance(device)
    if magnetising is None or missing(device):
        yield not_known(
            f"ratio error from burden and fuse: not known; measure and give {', '.join(missing(device))}",
            Reason.of("open-ratio-error", keys=tuple(key.split(" ")[0] for key in missing(device))),
        )
        return
    ratio, phase = ratio_and_phase(complex_error(_series(device) + _fuse(device), magnetising))
    base = device.ranges[0]
    allowed = limit_of_error(device, base, base.maximum_current)
    # A maker trims out winding and burden; the fuse is new, so its part is what a modification has to answer for.
    added = ratio - ratio_and_phase(complex_error(_series(device), magnetising))[0]
    fuse = f", {format_percent(added, '+.2g')} of it from the fuse" if added else ""
    bound = device.transformer.magnetising_loss_angle is None
    how = "at worst" if bound else f"(and {phase * MINUTES_PER_RADIAN:.3g} min) expected"
    text = f"ratio error: {format_percent(ratio, '+.2g')} {how} from winding and burden{fuse}; the claim allows {allowed * 100:.3g} %"
    if bound:
        text += "; give magnetising_loss_angle to know it"
    if abs(added) <= allowed:
        yield worth_knowing(text)
        return
    most = format_quantity(_fuse(device) * allowed / abs(added), "ohm", 2)
    text += f"; the fuse may have no more than some {most}"
    yield not_known(text, Reason.of("open-loss-angle", limit=allowed)) if bound else wrong(text)


def _series(device: Device) -> float:
    return (device.transformer.winding_resistance or 0.0) + device.transformer.burden


def _fuse(device: Device) -> float:
    return (device.path.secondary_fuse_resistance or 0.0) if device.path.secondary_fuse is not None else 0.0
