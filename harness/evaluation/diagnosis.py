"""Which of the known causes explains a run, as a probability over hypotheses.

Every hypothesis predicts the ratio error of every point as a linear function of a few unknowns with normal priors
(`hypotheses.Behaviour`). With the points' own covariance, shared reference inputs included, the probability of the
data under a hypothesis is then a multivariate normal density, and Bayes' theorem gives the rest. Large errors in one
place cannot be explained by unknowns that would have to act everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.device import Device
from harness.evaluation.hypotheses import NONE, OTHER, Candidate, candidates
from harness.evaluation.points import PointValues
from harness.evaluation.uncertainty import covariance
from harness.results import Hypothesis

Array = NDArray[np.float64]

DISCREPANCY = 5e-4
"""Standard deviation of what no hypothesis models (the shape of a real core), as a fraction of the reading."""

DISPLAY_OFFSET = 0.5
"""Standard deviation of the display's own offset, in display steps."""

SHOWN = 1e-6
ALIKE = 20.0
"""Two hypotheses whose odds are below this are not told apart."""


@dataclass(frozen=True)
class _Data:
    """Errors (n,) with covariance (n, n); per point its range, ampere-turns over rated, and primary current in amperes.

    A zero point has `flowing` 0: its indicated current over the smallest current of its range stands for the error,
    and only what is added to every reading acts on it.
    """

    errors: Array
    covariance: Array
    ranges: tuple[str, ...]
    flowing: Array
    load: Array
    current: Array
    display_offset: Array


def diagnose(device: Device, points: Sequence[PointValues]) -> tuple[tuple[Hypothesis, ...], str]:
    """Hypotheses by falling probability, and what this run cannot tell apart. Empty without points."""
    # A display that shows nothing at no current says little; one that shows something says it in every reading.
    used = [p for p in points if p.ratio_error is not None or float(p.indicated.nominal_value) != 0]
    if all(p.ratio_error is None for p in used):
        return (), "no point with current was finished, so nothing can be said about causes"
    data = _data(device, used)
    found = candidates(device)
    logs = np.array([math.log(c.prior) + _log_likelihood(c, data) for c in found])
    weights = np.exp(logs - logs.max())
    probabilities = weights / weights.sum()
    ranked = sorted(zip(found, probabilities, strict=True), key=lambda pair: -pair[1])
    return _merged(ranked), _note(ranked)


def _data(device: Device, points: Sequence[PointValues]) -> _Data:
    rated = device.transformer.rated_secondary_current * device.transformer.secondary_turns
    turns = {r.name: r.primary_turns for r in device.ranges}
    factor = {r.name: r.display_factor for r in device.ranges}
    smallest = {r.name: r.minimum_current for r in device.ranges}
    flowing = np.array([p.ratio_error is not None for p in points], dtype=float)
    current = np.array(
        [smallest[p.observed.range] if p.ratio_error is None else float(p.reference.nominal_value) for p in points]
    )
    errors = [p.indicated / smallest[p.observed.range] if p.ratio_error is None else p.ratio_error for p in points]
    return _Data(
        errors=np.array([float(e.nominal_value) for e in errors]),
        covariance=covariance(errors),
        ranges=tuple(p.observed.range for p in points),
        flowing=flowing,
        load=np.array([turns[p.observed.range] * c / rated for p, c in zip(points, current, strict=True)]),
        current=current,
        display_offset=np.array(
            [DISPLAY_OFFSET * device.display.resolution * factor[p.observed.range] for p in points]
        ),
    )


def _log_likelihood(candidate: Candidate, data: _Data) -> float:
    """Log density of the errors: normal about the prediction, covariance of data and of the unknowns together."""
    behaviour = candidate.behaviour
    factor = np.array([candidate.factors[name] for name in data.ranges])
    load = np.maximum(data.load * factor, 1e-4)
    # Each column is what one unknown, at its standard deviation, does to the errors.
    shapes = [
        (behaviour.gain, data.flowing * factor),
        (behaviour.slope, data.flowing * factor * np.log10(load / 0.1)),
        (behaviour.droop, data.flowing * factor * np.minimum(load, 1.5) ** 4),
        (behaviour.added, factor / data.current),
    ]
    from_turns = data.flowing * (factor - 1)
    mean = from_turns + sum(middle * shape for (middle, _), shape in shapes)
    columns = [deviation * shape for (_, deviation), shape in shapes]
    columns.append(data.display_offset / data.current)
    if behaviour.free:
        names = np.array(data.ranges)
        columns += [behaviour.free * data.flowing * (names == name) for name in dict.fromkeys(data.ranges)]
    effects = np.column_stack(columns)
    # What the model leaves out grows with what it predicts beyond the ordinary: a 4 % droop is not known to 0.05 %.
    unmodelled = data.flowing * DISCREPANCY * factor + 0.1 * np.abs(mean - from_turns)
    spread = data.covariance + effects @ effects.T + np.diag(unmodelled**2 + 1e-12)
    residual = data.errors - mean
    _, log_determinant = np.linalg.slogdet(spread)
    return float(-0.5 * (residual @ np.linalg.solve(spread, residual) + log_determinant))


def _merged(ranked: Sequence[tuple[Candidate, float]]) -> tuple[Hypothesis, ...]:
    """Variants of one fault on one range together, named by the likeliest."""
    first: dict[tuple[str, str | None], Candidate] = {}
    total: dict[tuple[str, str | None], float] = {}
    for candidate, probability in ranked:
        key = (candidate.fault, candidate.range)
        first.setdefault(key, candidate)
        total[key] = total.get(key, 0.0) + float(probability)
    found = [Hypothesis(c.fault, c.range, c.text, total[key]) for key, c in first.items() if total[key] >= SHOWN]
    return tuple(sorted(found, key=lambda h: -h.probability))


def _note(ranked: Sequence[tuple[Candidate, float]]) -> str:
    """Says so when several causes of different kinds predict the same readings."""
    top, highest = ranked[0]
    if top.fault in (NONE, OTHER):
        return ""
    alike = [
        c.text
        for c, probability in ranked[1:]
        if probability * ALIKE >= highest
        and (c.fault, c.range) != (top.fault, top.range)
        and c.fault not in (NONE, OTHER)
        and _same_factors(c, top)
    ]
    # Variants of one fault share their text, so it is told once.
    texts = list(dict.fromkeys([top.text, *alike]))
    return f"cannot be told apart by this run: {'; or '.join(texts)}" if len(texts) > 1 else ""


def _same_factors(a: Candidate, b: Candidate) -> bool:
    return all(math.isclose(a.factors[name], b.factors[name], rel_tol=1e-6, abs_tol=1e-9) for name in a.factors)
