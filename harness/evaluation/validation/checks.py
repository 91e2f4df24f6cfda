"""The results of a range that are validated by trials, by the names the reader is told, and what the trials say of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

from harness.core.angles import MINUTES_PER_RADIAN
from harness.core.quantities import format_quantity
from harness.evaluation.power.phase_displacement import PhaseFound
from harness.evaluation.power.power_errors import PowerValues
from harness.evaluation.ratio.effective_turns import Multiplier
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.waveform_difference import WaveformDifference
from harness.evaluation.uncertainty.gum_formulas import Contribution
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.evaluation.validation.models import (
    effective_turns,
    influence_of_waveform,
    phase_displacement,
    power_error,
    ratio_error,
    reading_factor,
)
from harness.evaluation.validation.monte_carlo import (
    BLOCK,
    SEED,
    Simulated,
    TrialModel,
    numerical_tolerance,
    run_trials,
)
from harness.files.device import Range
from harness.results import (
    PhaseDisplacement,
    PowerPoint,
    RangeResult,
    Stated,
    ValidatedQuantity,
    Validation,
    WaveformInfluence,
)


@dataclass(frozen=True)
class Check:
    """A result to be validated: its value with standard and expanded uncertainty in `unit`, and the model it comes from."""

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    unit: str
    model: TrialModel


def ratio_checks(result: RangeResult, own: Sequence[PointValues], compared: Multiplier | None) -> dict[str, Check]:
    """Ratio errors, reading factor and effective turns."""
    checks = {
        f"ratio error, {point.name}": _check(point.ratio_error, "1", partial(ratio_error, values.model))
        for point, values in zip(result.points, own, strict=True)
        if values.model is not None
    }
    factor, turns = result.reading_factor, result.effective_turns
    if factor is not None:
        checks[f"reading factor, {result.name}"] = _check(factor, "1", partial(reading_factor, own))
    if turns is not None and compared is not None:
        checks[f"effective turns, {result.name}"] = Check(
            turns.value,
            turns.expanded_uncertainty / turns.coverage_factor,
            turns.expanded_uncertainty,
            "turns",
            partial(effective_turns, result.expected_turns, compared),
        )
    return checks


def waveform_checks(found: Sequence[WaveformInfluence], values: Sequence[WaveformDifference]) -> dict[str, Check]:
    """Influences of waveforms."""
    return {
        f"influence of the waveform, {told.name}": _check(told.influence, "1", partial(influence_of_waveform, of))
        for told, of in zip(found, values, strict=True)
    }


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
            checks[f"power error, {point.name}"] = _check(point.power_error, "1", partial(power_error, values.model))
    for found, told in zip(angles, phase, strict=True):
        near, far = (values.model for values in found.found_from)
        if near is not None and far is not None:
            name = f"phase displacement, {rng.name} {format_quantity(found.nominal_current, 'A')}"
            model = partial(phase_displacement, near, far)
            checks[name] = _check(told.displacement, "minutes", model, MINUTES_PER_RADIAN)
    return checks


def _check(told: Stated, unit: str, model: TrialModel, scale: float = 1.0) -> Check:
    value, standard, expanded = told.value, told.standard_uncertainty, told.expanded_uncertainty
    return Check(value * scale, standard * scale, expanded * scale, unit, model)


def validate(checks: Mapping[str, Check], inputs: InputQuantities, trials: int, probability: float) -> Validation:
    """Compare the interval value +- U of every check with that of at least `trials` trials.

    Both ends must agree within the numerical tolerance of two significant digits of the standard uncertainty. Where they
    miss it by less than twice the trials' own uncertainty of the end, the trials cannot tell.
    """
    distributions = {
        variable: Contribution(float(variable.std_dev), source.distribution, source.degrees_of_freedom)
        for variable, source in inputs.sources.items()
    }
    found = run_trials({name: check.model for name, check in checks.items()}, distributions, trials, probability)
    quantities = tuple(_validated(name, check, found[name]) for name, check in checks.items())
    made = max(2, -(-trials // BLOCK)) * BLOCK
    return Validation(trials=made, seed=SEED, coverage_probability=probability, quantities=quantities)


def _validated(name: str, check: Check, ends: Simulated) -> ValidatedQuantity:
    low, high = check.value - check.expanded_uncertainty, check.value + check.expanded_uncertainty
    tolerance = numerical_tolerance(check.standard_uncertainty)
    missed = [(abs(low - ends.low), ends.low_uncertainty), (abs(high - ends.high), ends.high_uncertainty)]
    outcome: Literal["agrees", "differs", "undecided"] = "undecided"
    if all(distance <= tolerance for distance, _ in missed):
        outcome = "agrees"
    elif any(distance - 2 * uncertainty > tolerance for distance, uncertainty in missed):
        outcome = "differs"
    return ValidatedQuantity(
        name=name,
        unit=check.unit,
        low=low,
        high=high,
        monte_carlo_low=ends.low,
        monte_carlo_high=ends.high,
        monte_carlo_uncertainty=max(ends.low_uncertainty, ends.high_uncertainty),
        tolerance=tolerance,
        outcome=outcome,
    )
