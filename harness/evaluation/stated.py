"""An uncertain value as it is stated: with its expanded uncertainty for the bench's coverage probability."""

from __future__ import annotations

from typing import Any

from harness.evaluation.points import Inputs
from harness.evaluation.uncertainty import coverage_factor
from harness.results import Stated


def stated(inputs: Inputs, value: Any) -> Stated:
    """`value` with its uncertainty; a plain number has none."""
    nominal = float(getattr(value, "nominal_value", value))
    standard = float(getattr(value, "std_dev", 0.0))
    coverage = coverage_factor(
        [part for _, part in inputs.contributions(value)], inputs.bench.decision.coverage_probability
    )
    return Stated(nominal, standard, coverage.factor * standard, coverage.factor)
