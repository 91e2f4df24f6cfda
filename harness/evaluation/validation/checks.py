"""The results of a range that are validated by trials, by the names the reader is told."""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import format_quantity
from harness.evaluation.power.phase_displacement import PhaseFound
from harness.evaluation.power.power_errors import PowerValues
from harness.evaluation.ratio.effective_turns import Multiplier
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.validation.monte_carlo import TrialModel
from harness.evaluation.validation.power_models import phase_displacement, power_error
from harness.evaluation.validation.ratio_models import Check, effective_turns, ratio_error, reading_factor
from harness.files.device import Range
from harness.results import PhaseDisplacement, PowerPoint, RangeResult, Stated


def ratio_checks(result: RangeResult, own: Sequence[PointValues], compared: Multiplier | None) -> dict[str, Check]:
    """Ratio errors, reading factor and effective turns."""
    checks = {
        f"ratio error, {point.name}": _check(point.ratio_error, "1", ratio_error(values.model))
        for point, values in zip(result.points, own, strict=True)
        if values.model is not None
    }
    factor, turns = result.reading_factor, result.effective_turns
    if factor is not None:
        checks[f"reading factor, {result.name}"] = _check(factor, "1", reading_factor(own))
    if turns is not None and compared is not None:
        checks[f"effective turns, {result.name}"] = Check(
            turns.value,
            turns.expanded_uncertainty / turns.coverage_factor,
            turns.expanded_uncertainty,
            "turns",
            effective_turns(result.expected_turns, compared),
        )
    return checks


def power_checks(
    rng: Range,
    own: Sequence[PowerValues],
    power: Sequence[PowerPoint],
    angles: Sequence[PhaseFound],
    phase: Sequence[PhaseDisplacement],
) -> dict[str, Check]:
    """Errors of power and phase displacements."""
    checks = {}
    for values, point in zip(own, power, strict=True):
        if values.model is not None:
            checks[f"power error, {point.name}"] = _check(point.power_error, "1", power_error(values.model))
    for found, told in zip(angles, phase, strict=True):
        near, far = (values.model for values in found.found_from)
        if near is not None and far is not None:
            name = f"phase displacement, {rng.name} {format_quantity(found.nominal_current, 'A')}"
            checks[name] = _check(told.displacement, "minutes", phase_displacement(near, far), MINUTES_PER_RADIAN)
    return checks


def _check(told: Stated, unit: str, model: TrialModel, scale: float = 1.0) -> Check:
    value, standard, expanded = told.value, told.standard_uncertainty, told.expanded_uncertainty
    return Check(value * scale, standard * scale, expanded * scale, unit, model)
