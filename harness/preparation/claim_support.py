"""Whether a bench can support the claim it is to verify: its uncertainty against limits and decision rule."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.core.quantities import format_quantity, signed_text
from harness.results import DecisionRule, RangeResult, Results


@dataclass(frozen=True)
class Judged:
    """One thing with a limit: where it stands, limit, acceptance limit and U, all of them in one unit shown as `unit`."""

    at: str
    limit: float
    acceptance_limit: float
    expanded_uncertainty: float
    unit: str

    @property
    def test_uncertainty_ratio(self) -> float:
        """Limit over expanded uncertainty."""
        return self.limit / self.expanded_uncertainty if self.expanded_uncertainty else math.inf


def unsupported(results: Results) -> Iterator[str]:
    """Why the claim cannot be verified by the rule on this bench: one line for each cause, quantity and range."""
    for rng in results.ranges:
        for quantity, judged in everything_judged(rng).items():
            yield from _causes(f"{rng.name}, {quantity}", judged, results.decision)


def everything_judged(rng: RangeResult) -> dict[str, list[Judged]]:
    """All on a range that has a limit, by the name of the quantity. Points where the display reads nothing are left out."""
    ratio = [
        Judged(_amperes(p.reference_current), p.limit, p.acceptance_limit, p.expanded_uncertainty, "%")
        for p in rng.points
        if p.indicated_current and p.limit is not None and p.acceptance_limit is not None
    ]
    power = [
        Judged(
            f"{_amperes(p.reference_current)} and power factor {signed_text(round(p.power_factor, 2))}",
            p.limit,
            p.acceptance_limit,
            p.power_error.expanded_uncertainty,
            "%",
        )
        for p in rng.power
        if p.limit is not None and p.acceptance_limit is not None
    ]
    phase = [
        Judged(_amperes(p.nominal_current), p.limit, p.acceptance_limit, p.displacement.expanded_uncertainty, "minutes")
        for p in rng.phase
        if p.limit is not None and p.acceptance_limit is not None
    ]
    rest = rng.no_load
    at_rest = (
        [Judged("no current", rest.limit, rest.acceptance_limit, rest.current.expanded_uncertainty, "A")]
        if rest is not None and rest.limit is not None and rest.acceptance_limit is not None
        else []
    )
    return {"ratio error": ratio, "power": power, "phase displacement": phase, "indicated with no current": at_rest}


def _causes(where: str, judged: Sequence[Judged], rule: DecisionRule) -> Iterator[str]:
    too_wide = [j for j in judged if j.expanded_uncertainty > j.limit]
    if too_wide:
        worst = min(too_wide, key=lambda j: j.test_uncertainty_ratio)
        yield (
            f"{where}: the bench's uncertainty cannot support the claim at {len(too_wide)} of {len(judged)} points, worst at "
            f"{worst.at}: U is {_shown(worst.expanded_uncertainty, worst)}, the limit {_shown(worst.limit, worst)}"
        )
    shut = [j for j in judged if j.acceptance_limit <= 0 and j not in too_wide]
    if shut:
        worst = min(shut, key=lambda j: j.acceptance_limit / j.limit)
        yield (
            f"{where}: by the decision rule nothing could pass at {len(shut)} of {len(judged)} points, worst at {worst.at}: "
            f"the limit is {_shown(worst.limit, worst)}, its guard band {_shown(worst.limit - worst.acceptance_limit, worst)}"
        )
    least = rule.least_test_uncertainty_ratio
    short = [] if least is None else [j for j in judged if j.test_uncertainty_ratio < least]
    if short:
        worst = min(short, key=lambda j: j.test_uncertainty_ratio)
        yield (
            f"{where}: limit over U is less than the {least:g} asked for at {len(short)} of {len(judged)} points, worst "
            f"{worst.test_uncertainty_ratio:.2f} at {worst.at}"
        )


def _shown(value: float, judged: Judged) -> str:
    if judged.unit == "%":
        return f"{value * 100:.2f} %"
    if judged.unit == "A":
        return format_quantity(value, "A", 3)
    return f"{math.degrees(value) * 60:.1f} minutes of arc"


def _amperes(current: float) -> str:
    return format_quantity(current, "A")
