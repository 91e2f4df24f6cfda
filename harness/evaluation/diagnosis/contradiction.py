"""Contradictions between readings, which make a run no evidence, whatever its points say.

Sound meters must not be struck, so each test asks for more than chance gives among the many comparisons of a run: twice the
expanded uncertainty, as for the other checks of a run against itself, and what a claim allows a meter is not held against it.
"""

from collections.abc import Callable, Sequence

from harness.evaluation.diagnosis.diagnosis import Diagnosis
from harness.evaluation.diagnosis.hypotheses import OTHER
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Range
from harness.results import EffectiveTurns, Point, Reason, accepted

TIMES = 2.0
"""Limit in expanded uncertainties: of the many comparisons of a run one beyond 1 is nothing unusual, one beyond 2 is."""

OF_CLAIM = 0.1
"""Ranges may differ by this part of the claim and still be sound: where turns lie in the window acts on them too. A judgement."""

CERTAIN = 0.999
"""Probability of "none of these" from which the diagnosis is sure that nothing it knows explains the readings."""


def no_whole_number(name: str, turns: EffectiveTurns | None, allowed: float) -> list[Reason]:
    """Turns whose interval, made `TIMES` as wide, holds no whole number; `allowed` is the claim's limit of error, a fraction."""
    if turns is None:
        return []
    small = max(TIMES * turns.expanded_uncertainty, OF_CLAIM * allowed * turns.nearest)
    if abs(turns.value - turns.nearest) <= small:
        return []
    uncertainty = turns.expanded_uncertainty
    return [Reason.of("no-whole-number", name, turns=turns.value, expanded_uncertainty=uncertainty)]


def other_way_down(
    inputs: InputQuantities, rng: Range, values: Sequence[PointValues], points: Sequence[Point]
) -> list[Reason]:
    """A current whose upward and downward readings differ by more than their uncertainty and the whole limit of error."""
    found = []
    for up, point in zip(values, points, strict=True):
        if point.direction != "up":
            continue
        for down in values:
            if down.observed.direction != "down" or down.observed.nominal_current != point.nominal_current:
                continue
            apart = down.indicated / down.reference - up.indicated / up.reference
            if abs(apart.nominal_value) <= (point.ratio_error.limit or 0.0):
                continue
            difference = inputs.stated(apart)
            if abs(difference.value) > TIMES * difference.expanded_uncertainty:
                found.append((abs(difference.value), difference, point))
    if not found:
        return []
    _, difference, point = max(found, key=lambda entry: entry[0])
    return [
        Reason.of(
            "upward-and-downward",
            rng.name,
            contradicting=len(found),
            current=point.reference_current,
            difference=difference.value,
            expanded_uncertainty=difference.expanded_uncertainty,
        )
    ]


def none_explains(found: Diagnosis, points: Sequence[Point], of_ratios: Callable[[], Diagnosis]) -> list[Reason]:
    """The contradiction of a run whose points all pass while neither a known cause nor a sound meter explains its readings.

    A meter that reads currents well may read power, or with no current, oddly. So the diagnosis from ratio errors alone (`of_ratios`)
    must be as certain.
    """
    verdicts = [v for p in points if (v := p.ratio_error.verdict) is not None]
    if not verdicts or not all(accepted(v) for v in verdicts) or not (_sure(found) and _sure(of_ratios())):
        return []
    return [Reason.of("unexplained")]


def _sure(found: Diagnosis) -> bool:
    return bool(found.causes) and found.causes[0].fault == OTHER and found.causes[0].probability > CERTAIN
