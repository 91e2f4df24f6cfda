"""Effective turns: what the readings of a range say of the turns that carry its current.

With the indicated current already scaled by the display factor, a healthy range has slope 1 on the reference current
whatever its turns. The slope of a range over that of the base range, times the range's turns, is then the number of
turns the winding really has, free of the meter's own gain. The base range can only be judged absolutely.
"""

from __future__ import annotations

from typing import Any

from harness.evaluation.points import Inputs
from harness.evaluation.uncertainty import coverage_factor
from harness.results import EffectiveTurns

BASE_WRONG = 0.2
"""When the base range itself is this far (relative) from its turns, comparing with it would spread its error."""

RELATIVE, ABSOLUTE = "base range", "absolute"


def base_usable(base_slope: Any | None) -> bool:
    """Whether the other ranges may be compared with the base range."""
    return base_slope is not None and abs(float(base_slope.nominal_value) - 1) <= BASE_WRONG


def effective_turns(
    inputs: Inputs, slope: Any, expected_turns: int, base_slope: Any | None, probability: float
) -> EffectiveTurns:
    """Turns from the `slope` of a range; relative to `base_slope` when one is given, absolute otherwise."""
    turns = expected_turns * (slope / base_slope if base_slope is not None else slope)
    coverage = coverage_factor([part for _, part in inputs.contributions(turns)], probability)
    value = float(turns.nominal_value)
    expanded = coverage.factor * float(turns.std_dev)
    nearest = round(value)
    return EffectiveTurns(
        value=value,
        expanded_uncertainty=expanded,
        coverage_factor=coverage.factor,
        basis=RELATIVE if base_slope is not None else ABSOLUTE,
        nearest=nearest,
        neighbours_excluded=abs(value - nearest) + expanded < 1,
    )
