"""Check that a bench can support the claim: its uncertainty against limits and decision rule."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import format_quantity, signed_text
from harness.core.rounding import beside_limit, exact, for_terminal
from harness.results import Conformity, DecisionRule, Judged, RangeResult, Results


@dataclass(frozen=True)
class Claimed:
    """One value with a limit: its place, its U and its relation to the limit, in one unit shown as `unit`."""

    at: str
    expanded_uncertainty: float
    conformity: Conformity
    unit: str

    @property
    def test_uncertainty_ratio(self) -> float:
        """Limit over expanded uncertainty."""
        ratio = self.conformity.test_uncertainty_ratio
        return math.inf if ratio is None else ratio


def unsupported(results: Results) -> Iterator[str]:
    """Reasons why this bench cannot verify the claim by its decision rule: one line per cause, quantity and range."""
    for rng in results.ranges:
        for quantity, judged in everything_judged(rng).items():
            yield from _causes(f"{rng.name}, {quantity}", judged, results.decision)


def everything_judged(rng: RangeResult) -> dict[str, list[Claimed]]:
    """Every value with a limit on a range, by quantity. Points where the display reads nothing are left out."""
    rest = rng.no_load
    return {
        "ratio error": _claimed(
            ((_amperes(p.reference_current), p.ratio_error) for p in rng.points if p.indicated_current), "%"
        ),
        "power": _claimed(
            (
                (f"{_amperes(p.reference_current)} and power factor {signed_text(round(p.power_factor, 2))}", p.judged)
                for p in rng.power
            ),
            "%",
        ),
        "phase displacement": _claimed(((_amperes(p.nominal_current), p.displacement) for p in rng.phase), "minutes"),
        "influence of the waveform": _claimed(
            ((f"{_amperes(w.reference_current)} with {w.load}", w.influence) for w in rng.waveforms), "%"
        ),
        "indicated with no current": _claimed([("no current", rest.current)] if rest is not None else [], "A"),
    }


def _claimed(found: Iterable[tuple[str, Judged]], unit: str) -> list[Claimed]:
    return [Claimed(at, j.expanded_uncertainty, j.conformity, unit) for at, j in found if j.conformity is not None]


def _causes(where: str, judged: Sequence[Claimed], rule: DecisionRule) -> Iterator[str]:
    too_wide = [j for j in judged if j.expanded_uncertainty > j.conformity.limit]
    if too_wide:
        worst = min(too_wide, key=lambda j: j.test_uncertainty_ratio)
        yield (
            f"{where}: the bench's uncertainty cannot support the claim at {len(too_wide)} of {len(judged)} points, worst at "
            f"{worst.at}: U is {_shown(worst.expanded_uncertainty, worst)}, the limit {_shown(worst.conformity.limit, worst)}. "
            "Take a reference with less uncertainty there, another load, or a wider claim"
        )
    shut = [j for j in judged if j.conformity.acceptance_limit <= 0 and j not in too_wide]
    if shut:
        worst = min(shut, key=lambda j: j.conformity.acceptance_limit / j.conformity.limit)
        yield (
            f"{where}: by the decision rule no result can pass at {len(shut)} of {len(judged)} points, worst at {worst.at}: "
            f"the limit is {_shown(worst.conformity.limit, worst)}, its guard band {_shown(worst.conformity.limit - worst.conformity.acceptance_limit, worst)}"
        )
    least = rule.least_test_uncertainty_ratio
    short = [] if least is None else [j for j in judged if j.test_uncertainty_ratio < least]
    if short:
        worst = min(short, key=lambda j: j.test_uncertainty_ratio)
        yield (
            f"{where}: limit / U is less than the required {least:g} at {len(short)} of {len(judged)} points, worst "
            f"{worst.test_uncertainty_ratio:.2f} at {worst.at}"
        )


def _shown(value: float, judged: Claimed) -> str:
    """`value` to the third digit of the limit beside which it stands; a current with its own prefix."""
    if judged.unit == "A":
        return format_quantity(value, "A", 3)
    scale, unit = (100.0, "%") if judged.unit == "%" else (MINUTES_PER_RADIAN, "minutes of arc")
    return for_terminal(f"{beside_limit(exact(value * scale), exact(judged.conformity.limit * scale))} {unit}")


def _amperes(current: float) -> str:
    return format_quantity(current, "A")
