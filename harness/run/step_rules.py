"""Rules that every step of a procedure must keep."""

from collections.abc import Collection, Sequence
from math import inf

from harness.files.device import Range
from harness.steps import DIRECTIONS, Apply, Observe, Release, Select, Wait

LONGEST_WAIT = 3600.0
"""Seconds."""


def broken_rule(step: object, ranges: Sequence[Range], taken: Collection[str]) -> str:
    """The broken rule of `step`: what was found and expected; empty when none. `taken`: the names points have so far."""
    match step:
        case Select(range=rng) if rng not in ranges:
            return (
                f"found another range, expected one of the device file, unchanged: {', '.join(r.name for r in ranges)}"
            )
        case Apply(current=current) if not _within(current, inf) or current == inf:
            return f"found current {current!r}, expected amperes above zero"
        case Apply(power_factor=asked) if asked is not None and not _within(asked, 1) and not _within(asked, 1, -1):
            return f"found power_factor {asked!r}, expected -1 to 1 but not 0, or None"
        case Observe(point=point) if point in taken:
            return f"found the name {point!r} a second time, expected a name of its own for each point"
        case Observe(count=count) if not _within(count, inf) or count < 1:
            return f"found count {count!r}, expected at least 1"
        case Observe(direction=direction) if direction not in DIRECTIONS:
            return f"found direction {direction!r}, expected one of {', '.join(DIRECTIONS)}"
        case Wait(seconds=seconds) if not _within(seconds, LONGEST_WAIT):
            return f"found seconds {seconds!r}, expected above 0 and at most {LONGEST_WAIT:g}"
        case Select() | Apply() | Observe() | Release() | Wait():
            return ""
    return "expected Select, Apply, Observe, Release or Wait"


def broken_by_current(step: Observe, current: float) -> str:
    """The rule broken at the `current`, in amperes, that flows when a point is to be read; empty when none."""
    if step.direction == "zero" and current:
        return f"found direction 'zero' with {current:g} A applied, expected Release or Select before it"
    if step.direction != "zero" and not current:
        return (
            f"found direction {step.direction!r} with no current applied, expected Apply before it, or direction 'zero'"
        )
    return ""


def _within(value: object, largest: float, sign: int = 1) -> bool:
    return isinstance(value, int | float) and 0 < sign * value <= largest
