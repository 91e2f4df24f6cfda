"""Bandwidth and clipping level of the meter's input, estimated from the errors where the diagnosis says that they are what is wrong.

Each value of the unknown is a hypothesis of its own, the ordinary errors integrated out; their probabilities, with a prior even in the logarithm, are the
distribution of the unknown (Bayes' theorem on a grid), first over all of the prior's span and then over what is left of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.diagnosis.cause_schema import Catalogue, SpreadPrior
from harness.evaluation.diagnosis.density import Density
from harness.evaluation.diagnosis.hypotheses import Candidate, beside_a_sound_circuit
from harness.evaluation.diagnosis.predictions import build
from harness.files.device import Device
from harness.results import Reason

VALUES, ROUNDS, REACH = 160, 3, 8.0
"""Values on the grid, how often it is narrowed, and to how many standard deviations."""
K = 2.0


def input_estimates(device: Device, catalogue: Catalogue, of: Candidate, after: Density) -> Iterator[Reason]:
    """Bandwidth in hertz, or clipping level as a peak in the secondary in amperes, with U (k = 2), where `of` is one cause with such an unknown.

    The readings tell the level against what is displayed; in the secondary it is less or more by the error that the maker trimmed away.
    """
    if len(of.faults) > 1 or not of.effects:
        return
    transformer, trimmed = device.transformer, catalogue.ordinary.trimmed
    if estimate := _estimate(device, catalogue, of, "low_pass", after):
        bandwidth, deviation = (transformer.frequency * part for part in estimate)
        yield Reason.of("effective-bandwidth", value=bandwidth, expanded_uncertainty=K * deviation)
    if estimate := _estimate(device, catalogue, of, "clipping", after):
        peak = math.sqrt(2) * transformer.rated_secondary_current * (1 + trimmed.mean)
        level, deviation = (peak * part for part in estimate)
        wide = math.hypot(deviation, trimmed.deviation * level)
        yield Reason.of("clipping-level", value=level, expanded_uncertainty=K * wide)


def _estimate(
    device: Device, catalogue: Catalogue, of: Candidate, key: str, after: Density
) -> tuple[float, float] | None:
    """Mean and standard deviation of the reciprocal of the unknown; None where the cause has no such unknown."""
    span = _span(catalogue, of, key)
    if span is None:
        return None
    values, weights = _distribution(device, catalogue, of, key, span, after)
    mean = float(np.sum(weights / values))
    return mean, math.sqrt(float(np.sum(weights * (1 / values - mean) ** 2)))


def _span(catalogue: Catalogue, of: Candidate, key: str) -> tuple[float, float] | None:
    """Least and most of the unknown by its prior; None where the cause has none."""
    priors = [getattr(cause.readings, key) for cause in catalogue.causes if cause.name == of.faults[0][0]]
    spread = [prior for prior in priors if prior.most]
    return (min(p.least for p in spread), max(p.most for p in spread)) if spread else None


def _distribution(
    device: Device, catalogue: Catalogue, of: Candidate, key: str, span: tuple[float, float], after: Density
) -> tuple[Array, Array]:
    """Values of the unknown, and their probabilities."""
    low, high = math.log(span[0]), math.log(span[1])
    values, weights = np.ones(1), np.ones(1)
    for _ in range(ROUNDS):
        values = np.exp(np.linspace(low, high, VALUES))
        logs = _logs(device, catalogue, of, key, values, after)
        weights = np.exp(logs - logs.max())
        weights /= weights.sum()
        middle = float(np.sum(weights * np.log(values)))
        wide = math.sqrt(float(np.sum(weights * (np.log(values) - middle) ** 2))) + (high - low) / VALUES
        low, high = max(low, middle - REACH * wide), min(high, middle + REACH * wide)
    return values, weights


def _logs(device: Device, catalogue: Catalogue, of: Candidate, key: str, values: Array, after: Density) -> Array:
    """Log density of the data for each value of the unknown."""
    (readings, place), *_ = of.effects
    plain = SpreadPrior()
    each = [
        replace(
            of, effects=((readings.model_copy(update={key: plain.model_copy(update={"least": v, "most": v})}), place),)
        )
        for v in values.tolist()
    ]
    predicted = build(device, catalogue, beside_a_sound_circuit(device, each)).predict(after.data.settings)
    return after.of(predicted).log
