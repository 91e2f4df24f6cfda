"""An uncertain value as it is stated and judged: with its expanded uncertainty for the bench's coverage probability."""

from __future__ import annotations

from typing import Any

from harness.evaluation.conformity.decision import Decided, decide
from harness.evaluation.uncertainty.combination import Coverage, coverage_factor
from harness.evaluation.uncertainty.input_quantities import Inputs
from harness.results import Stated


def stated(inputs: Inputs, value: Any) -> Stated:
    """`value` with its uncertainty; a plain number has none."""
    nominal = float(getattr(value, "nominal_value", value))
    standard = float(getattr(value, "std_dev", 0.0))
    coverage = _coverage(inputs, value)
    expanded = coverage.factor * standard
    return Stated(nominal, standard, expanded, coverage.factor, coverage.told_degrees_of_freedom)


def decided(inputs: Inputs, value: Any, limit: float) -> Decided:
    """`value` judged against +-`limit` by the bench's rule."""
    found, coverage = stated(inputs, value), _coverage(inputs, value)
    return decide(
        found.value,
        found.standard_uncertainty,
        found.expanded_uncertainty,
        limit,
        inputs.bench.decision,
        coverage.spread,
    )


def _coverage(inputs: Inputs, value: Any) -> Coverage:
    parts = [part for _, part in inputs.contributions(value)]
    return coverage_factor(parts, inputs.bench.decision.coverage_probability)
