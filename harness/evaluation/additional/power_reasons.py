"""Why power and phase displacement of a range do not plainly pass, a line for each reason."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import format_percent, format_quantity, signed_text
from harness.evaluation.conformity.decision import judgement
from harness.evaluation.conformity.fail_reasons import failed
from harness.files.device import Range
from harness.results import PhaseDisplacement, PowerPoint, worst

POWER_FACTOR_WITHIN = 0.03
"""How far the power factor read may be from the one the load was asked for."""

HALF_TURN = 2.0
"""Radians that only something connected the wrong way round explains, which is said of the power already."""

NOT_FORETOLD = 2.0
"""Twice the expanded uncertainty: of the many comparisons of a run one beyond 1 is nothing unusual, one beyond 2 is."""


def misread(rng: Range, power: Sequence[PowerPoint], phase: Sequence[PhaseDisplacement]) -> list[str]:
    """What fails whatever is claimed: a wrong sign, another power factor than asked for, power that the phase does not explain."""
    return [*_reversed(rng, power), *_other_power_factor(rng, power), *_not_foretold(rng, phase)]


def failed_power(rng: Range, points: Sequence[PowerPoint]) -> Iterator[str]:
    """A line for all points of a verdict less than pass."""
    judged_points = [p for p in points if p.power_error.conformity is not None]
    for said, group in failed(judged_points):
        largest = worst(group)
        error = largest.power_error
        # U is told where the error alone would not have failed.
        reach = "" if error.beyond else f" with U = {error.expanded_uncertainty * 100:.3f} %"
        yield (
            f"{rng.name}: power: {said} at {len(group)} of {len(judged_points)} points, worst "
            f"{format_percent(error.value)}{reach} at "
            f"{format_quantity(largest.reference_current, 'A')} and power factor {signed_text(round(largest.power_factor, 2))} "
            f"where {(error.limit or 0.0) * 100:.3f} % is allowed"
        )


def failed_phase(rng: Range, found: Sequence[PhaseDisplacement]) -> Iterator[str]:
    """A line for each current with a verdict less than pass."""
    for at in found:
        phase, said = at.displacement, judgement(at.displacement)
        if said is not None and abs(phase.value) < HALF_TURN:
            yield (
                f"{rng.name}: phase displacement {phase.value * MINUTES_PER_RADIAN:+.1f}' with U = "
                f"{phase.expanded_uncertainty * MINUTES_PER_RADIAN:.1f}' at {format_quantity(at.nominal_current, 'A')} "
                f"where {(phase.limit or 0.0) * MINUTES_PER_RADIAN:.1f}' is allowed: {said}"
            )


def _reversed(rng: Range, points: Sequence[PowerPoint]) -> list[str]:
    """A power of the wrong sign fails whatever is claimed."""
    wrong = [p for p in points if p.indicated_power * p.reference_power < 0]
    if not wrong:
        return []
    return [
        f"{rng.name}: power reads with the wrong sign at {len(wrong)} of {len(points)} points: a winding or the voltage is "
        "connected the wrong way round"
    ]


def _other_power_factor(rng: Range, points: Sequence[PowerPoint]) -> list[str]:
    """A load that is not at the power factor it was asked for, or a reference whose sign of the angle is another."""
    wrong = [
        p for p in points if p.nominal_power_factor is not None and _another(p.power_factor, p.nominal_power_factor)
    ]
    if not wrong:
        return []
    first = wrong[0]
    return [
        f"{rng.name}: power factor {signed_text(first.nominal_power_factor or 1.0)} was asked for and "
        f"{signed_text(round(first.power_factor, 3))} was read, at {len(wrong)} of {len(points)} points: look at the load, and "
        "at the sign of the angle the reference reads (positive when the current lags)"
    ]


def _another(read: float, asked: float) -> bool:
    if abs(abs(read) - abs(asked)) > POWER_FACTOR_WITHIN:
        return True
    return abs(asked) < 1 - POWER_FACTOR_WITHIN and read * asked < 0


def _not_foretold(rng: Range, found: Sequence[PhaseDisplacement]) -> list[str]:
    """Where power at a further power factor is far from what the phase displacement makes of it."""
    far = [(p, f) for p in found for f in p.foretold if (f.normalized_error or 0.0) > NOT_FORETOLD]
    if not far:
        return []
    phase, worst_of = max(far, key=lambda pair: pair[1].normalized_error or 0.0)
    return [
        f"{rng.name}: power at power factor {signed_text(round(worst_of.power_factor, 2))} and "
        f"{format_quantity(phase.nominal_current, 'A')} is not the power predicted from the phase displacement "
        f"(En = {worst_of.normalized_error:.1f}): something else acts on power, or the angle read is not the angle"
    ]
