"""An uncertain value as it is stated and judged: with its expanded uncertainty for the bench's coverage probability."""

from __future__ import annotations

from typing import Any

from harness.evaluation.conformity.decision import decide
from harness.evaluation.uncertainty.combination import Coverage, coverage_factor
from harness.evaluation.uncertainty.input_quantities import InputQuantities, nominal
from harness.results import Judged, Stated


def stated(inputs: InputQuantities, value: Any) -> Stated:
    """`value` with its uncertainty; a plain number has none."""
    return _stated(value, _coverage(inputs, value))


def stated_or_none(inputs: InputQuantities, value: Any | None) -> Stated | None:
    return None if value is None else stated(inputs, value)


def judged(inputs: InputQuantities, value: Any, limit: float | None) -> Judged:
    """`value` with its uncertainty, judged against +-`limit` by the bench's rule; None where nothing is claimed."""
    coverage = _coverage(inputs, value)
    found = _stated(value, coverage)
    conformity = None if limit is None else decide(found, limit, inputs.bench.decision, coverage.spread)
    return Judged.of(found, coverage.method, conformity)


def _stated(value: Any, coverage: Coverage) -> Stated:
    standard = float(getattr(value, "std_dev", 0.0))
    freedom = coverage.told_degrees_of_freedom
    return Stated(nominal(value), standard, coverage.factor * standard, coverage.factor, freedom)


def _coverage(inputs: InputQuantities, value: Any) -> Coverage:
    parts = [part for _, part in inputs.contributions(value)]
    return coverage_factor(parts, inputs.bench.decision.coverage_probability)
