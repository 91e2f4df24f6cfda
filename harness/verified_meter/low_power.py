"""What IEC 62301:2011 asks of a measurement of low power: its uncertainty (4.4.1), and a power that stays (5.3.2). Values from memory."""

import statistics
from collections.abc import Sequence
from typing import Literal

from harness.results import LowPower, Stability, Stated

RATIO, OF_POWER, LEAST_POWER, PER_RATIO = 10.0, 0.02, 1.0, 0.08
"""Up to this maximum current ratio U may be 2 % of the power, below 1 W 20 mW; above it, 8 % more of that for each unit of the ratio."""

LASTS, DROPPED = 900.0, 1 / 3
"""Seconds that the readings span at least, and the part of them at the begin that is not looked at."""

SLOPE_BELOW_A_WATT, RELATIVE_SLOPE = 0.010, 0.01
"""Per hour: watts of a power up to 1 W, and part of a larger one."""

HOUR = 3600.0


def permitted_uncertainty(power: float, ratio: float) -> float:
    """The largest expanded uncertainty of `power`, in watts, at this maximum current ratio (crest factor over power factor)."""
    part = OF_POWER * (1 + PER_RATIO * max(0.0, ratio - RATIO))
    return max(part * power, OF_POWER * LEAST_POWER) if power < LEAST_POWER else part * power


def low_power(power: Stated, power_factor: Stated, crest_factor: float | None) -> LowPower:
    """Whether the uncertainty of `power` is what the standard asks. Without a crest factor it is only where it is of every one."""
    if crest_factor is None:
        permitted = permitted_uncertainty(power.value, 0.0)
        return LowPower(None, None, permitted, True if power.expanded_uncertainty <= permitted else None)
    # A current cannot lead to less than one with the largest power factor: the strictest demand within what was measured.
    ratio = crest_factor / min(1.0, power_factor.value + power_factor.expanded_uncertainty)
    permitted = permitted_uncertainty(power.value, ratio)
    return LowPower(crest_factor, ratio, permitted, power.expanded_uncertainty <= permitted)


def stability(seconds: Sequence[float], powers: Sequence[float], step: float) -> Stability | None:
    """The slope of `powers`, in watts with a step of `step` watts, over the last two thirds of the time; None where they span too little of it."""
    span = seconds[-1] - seconds[0] if seconds else 0.0
    late = [(t, p) for t, p in zip(seconds, powers, strict=True) if t >= seconds[0] + DROPPED * span]
    if span < LASTS or len(late) < 3:
        return None
    slope = statistics.linear_regression(*zip(*late, strict=True)).slope * HOUR
    mean = statistics.fmean(p for _, p in late)
    limit = SLOPE_BELOW_A_WATT if abs(mean) <= LEAST_POWER else RELATIVE_SLOPE * abs(mean)
    resolved = step * HOUR / (late[-1][0] - late[0][0]) < limit
    outcome: Literal["stable", "not stable", "not resolved"] = "stable" if resolved else "not resolved"
    if abs(slope) >= limit:
        outcome = "not stable"
    return Stability(slope / HOUR, limit / HOUR, late[-1][0] - late[0][0], len(late), outcome)
