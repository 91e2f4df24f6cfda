"""Reasons why power and phase displacement of a range do not plainly pass."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from harness.evaluation.conformity.fail_reasons import failed, not_passed
from harness.files.device import Range
from harness.results import PhaseDisplacement, PowerPoint, Reason, worst

POWER_FACTOR_WITHIN = 0.03
"""The power factor read may differ this much from the one the load was asked for."""

NOT_FORETOLD = 2.0
"""Twice the expanded uncertainty: of the many comparisons of a run one beyond 1 is nothing unusual, one beyond 2 is."""


def misread(rng: Range, power: Sequence[PowerPoint], phase: Sequence[PhaseDisplacement]) -> list[Reason]:
    """Failures without regard to a claim: wrong sign, another power factor than asked for, power that the phase does not explain."""
    return [*_reversed(rng, power), *_other_power_factor(rng, power), *_not_foretold(rng, phase)]


def failed_power(rng: Range, points: Sequence[PowerPoint]) -> Iterator[Reason]:
    """A reason for all points of a verdict less than pass."""
    judged_points = [p for p in points if p.power_error.conformity is not None]
    for group in failed(judged_points):
        largest = worst(group)
        yield from not_passed(
            "power-not-passed",
            rng,
            largest.power_error,
            failed=len(group),
            points=len(judged_points),
            current=largest.reference_current,
            power_factor=largest.power_factor,
        )


def failed_phase(rng: Range, found: Sequence[PhaseDisplacement]) -> Iterator[Reason]:
    """A reason for each current with a verdict less than pass."""
    for at in found:
        yield from not_passed("phase-not-passed", rng, at.displacement, current=at.nominal_current)


def _reversed(rng: Range, points: Sequence[PowerPoint]) -> list[Reason]:
    """A power of the wrong sign fails whatever is claimed."""
    wrong = sum(p.indicated_power * p.reference_power < 0 for p in points)
    return [Reason.of("power-reversed", rng.name, reversed=wrong, points=len(points))] if wrong else []


def _other_power_factor(rng: Range, points: Sequence[PowerPoint]) -> list[Reason]:
    """The load has another power factor than it was asked for, or the reference has another sign of the angle."""
    both = [(p.nominal_power_factor, p.power_factor) for p in points]
    wrong = [(asked, read) for asked, read in both if asked is not None and _another(read, asked)]
    if not wrong:
        return []
    (asked, read), other = wrong[0], len(wrong)
    return [Reason.of("other-power-factor", rng.name, nominal=asked, power_factor=read, other=other, points=len(both))]


def _another(read: float, asked: float) -> bool:
    if abs(abs(read) - abs(asked)) > POWER_FACTOR_WITHIN:
        return True
    return abs(asked) < 1 - POWER_FACTOR_WITHIN and read * asked < 0


def _not_foretold(rng: Range, found: Sequence[PhaseDisplacement]) -> list[Reason]:
    """Power at a further power factor is far from the one computed from the phase displacement."""
    far = [(p, f) for p in found for f in p.foretold if (f.normalized_error or 0.0) > NOT_FORETOLD]
    if not far:
        return []
    phase, worst_of = max(far, key=lambda pair: pair[1].normalized_error or 0.0)
    return [
        Reason.of(
            "power-not-predicted",
            rng.name,
            power_factor=worst_of.power_factor,
            current=phase.nominal_current,
            normalized_error=worst_of.normalized_error,
        )
    ]
