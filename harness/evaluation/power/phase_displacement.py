"""Phase displacement from the power errors at two power factors, and what it does at any other.

With current error c and phase displacement delta (positive when the secondary leads), at the load's angle phi:

    1 + e_P = (1 + c) cos(phi - delta) / cos(phi) = a + b t,    a = (1 + c) cos delta,  b = (1 + c) sin delta,  t = tan phi

(the exact form of e_P = c + delta tan phi, textbook of instrument transformers; c holds the voltage channel's error too).
It is a straight line in t: two power factors give a and b with their covariance, and every further one checks them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from uncertainties import umath

from harness.evaluation.power.power_errors import PowerValues
from harness.evaluation.uncertainty.uncertainty_budget import nominal

LEAST_TANGENT_DIFFERENCE = 0.5
"""Closer together, their power errors say nothing about the angle."""

FORETOLD = (0.9, 0.7, 0.3)
"""Lagging power factors for which the power error is foretold beside those that were measured."""


@dataclass(frozen=True)
class Foretold:
    """Power error (fraction) foretold at a power factor (negative: leading), and measured where it was."""

    power_factor: float
    foretold: Any
    measured: Any | None


@dataclass(frozen=True)
class PhaseFound:
    """Findings at one current of one range: `displacement` in rad, `common_error` (current and voltage together, fraction)."""

    nominal_current: float
    displacement: Any
    common_error: Any
    found_from: tuple[PowerValues, PowerValues]
    foretold: tuple[Foretold, ...]


def phase_found(points: Sequence[PowerValues]) -> PhaseFound | None:
    """The phase displacement from the points of one current of one range; None when their power factors are too much alike."""
    near = min(points, key=lambda p: abs(nominal(p.tangent)), default=None)
    if near is None:
        return None
    # A lagging load before a leading one: that is what meters meet, and what limits are written for.
    far = max(points, key=lambda p: (nominal(p.tangent) > LEAST_TANGENT_DIFFERENCE, abs(nominal(p.tangent))))
    if abs(nominal(far.tangent) - nominal(near.tangent)) < LEAST_TANGENT_DIFFERENCE:
        return None
    b = (far.power_error - near.power_error) / (far.tangent - near.tangent)
    a = 1 + near.power_error - b * near.tangent
    rest = [p for p in points if p is not near and p is not far]
    foretold = [Foretold(p.power_factor, a + b * p.tangent - 1, p.power_error) for p in rest]
    foretold += [Foretold(f, a + b * math.tan(math.acos(f)) - 1, None) for f in FORETOLD]
    return PhaseFound(
        nominal_current=near.observed.nominal_current,
        displacement=umath.atan2(b, a),
        common_error=umath.sqrt(a * a + b * b) - 1,
        found_from=(near, far),
        foretold=tuple(foretold),
    )


def phases_found(points: Sequence[PowerValues]) -> list[PhaseFound]:
    """Every current of every range at which the phase displacement can be told, from points whose load's angle is known."""
    together: dict[tuple[str, float], list[PowerValues]] = {}
    for point in (p for p in points if p.angle_known):
        together.setdefault((point.observed.range, point.observed.nominal_current), []).append(point)
    return [found for group in together.values() if (found := phase_found(group)) is not None]
