"""The expanded uncertainty U of a value, for the coverage probability of the bench."""

from __future__ import annotations

from typing import Any

from harness.evaluation.uncertainty.combination import Coverage, coverage_factor
from harness.evaluation.uncertainty.input_quantities import InputQuantities, nominal
from harness.results import Stated


def expanded(inputs: InputQuantities, value: Any) -> tuple[Stated, Coverage]:
    """`value` with U, and the coverage behind it; a plain number has no uncertainty."""
    parts = [part for _, part in inputs.contributions(value)]
    coverage = coverage_factor(parts, inputs.bench.decision.coverage_probability)
    standard, factor = deviation(value), coverage.factor
    return Stated(nominal(value), standard, factor * standard, factor, coverage.told_degrees_of_freedom), coverage


def stated(inputs: InputQuantities, value: Any) -> Stated:
    return expanded(inputs, value)[0]


def stated_or_none(inputs: InputQuantities, value: Any | None) -> Stated | None:
    return None if value is None else stated(inputs, value)


def deviation(value: Any) -> float:
    """The standard uncertainty of a value, which may be a plain number."""
    return float(getattr(value, "std_dev", 0.0))
