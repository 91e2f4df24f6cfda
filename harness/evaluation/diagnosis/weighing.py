"""Probabilities of all hypotheses, which of them this run cannot tell apart, and what it does not show at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.causes import Catalogue
from harness.device import Device
from harness.evaluation.diagnosis.density import Density, broad, density
from harness.evaluation.diagnosis.hypotheses import Candidate, Pair, Place, hypotheses
from harness.evaluation.diagnosis.model import Model, Predictions, build
from harness.evaluation.diagnosis.observations import Array, Observations

SAME = 1e-9
"""Predictions that differ by less than this (in standard deviations of their parts, as fractions) are one."""


@dataclass(frozen=True)
class Weighed:
    """A cause with all its variants: its likeliest variant, by index, and the probability of all."""

    candidate: Candidate
    index: int
    probability: float

    @property
    def faults(self) -> tuple[Place, ...]:
        """The causes it is made of."""
        return self.candidate.faults


@dataclass(frozen=True)
class Weighing:
    """Causes by falling probability; `other` is that of none of these. `unseen`: indices of single causes that act on nothing
    this run read. `masked`: causes that would not show beside the likeliest one. `fit`: probability of a fit as poor as that
    of the best explanation.
    """

    causes: tuple[Weighed, ...]
    other: float
    unseen: tuple[int, ...]
    masked: tuple[Candidate, ...]
    fit: float
    model: Model
    density: Density


@lru_cache(maxsize=8)
def _prepared(device: Device, catalogue: Catalogue) -> tuple[tuple[Candidate, ...], tuple[Pair, ...], Model]:
    candidates, pairs = hypotheses(device, catalogue)
    return candidates, pairs, build(device, catalogue, candidates)


def candidates_of(device: Device, catalogue: Catalogue) -> tuple[Candidate, ...]:
    """Every candidate, as `Weighed.index` counts them."""
    return _prepared(device, catalogue)[0]


def weigh(device: Device, catalogue: Catalogue, data: Observations) -> Weighing:
    """Compare every hypothesis with the data (Bayes' theorem).

    Where even the best explanation fits worse than the catalogue's limit, the listed ones lose probability to none of these
    in proportion.
    """
    from scipy.special import gammaincc

    candidates, pairs, model = _prepared(device, catalogue)
    predictions = model.predict(data.settings)
    seen, masked = _distinct(predictions, pairs, len(candidates) - len(pairs))
    common = density(data, catalogue.unmodelled.shape)
    logs, chi_squared = common.of(predictions)
    priors = np.array([c.prior for c in candidates])
    logs = np.where(seen, logs + np.log(priors), -np.inf)
    alternatives = broad(data, len(device.ranges))
    share = math.log(catalogue.weights.none_of_these / len(alternatives))
    others = np.array([share + float(common.of(a)[0][0]) for a in alternatives])
    highest = max(logs.max(), others.max())
    weights, other = np.exp(logs - highest), float(np.sum(np.exp(others - highest)))
    total = float(weights.sum()) + other
    fit = float(gammaincc(len(data.values) / 2, max(0.0, float(chi_squared[int(np.argmax(logs))])) / 2))
    believed = min(1.0, fit / catalogue.limits.fit)
    causes = _merged(candidates, weights / total * believed)
    top = causes[0].index
    return Weighing(
        causes=causes,
        other=1 - believed * (1 - other / total),
        unseen=tuple(i for i in range(1, len(candidates) - len(pairs)) if not seen[i]),
        masked=tuple(candidates[i] for i in masked.get(top, ())),
        fit=fit,
        model=model,
        density=common,
    )


def _distinct(
    predictions: Predictions, pairs: Sequence[Pair], singles: int
) -> tuple[Array, dict[int, tuple[int, ...]]]:
    """Which candidates (h,) predict anything of their own; and per single cause those that change nothing beside it.

    What predicts the same as nothing wrong, or a pair the same as one of its causes, cannot be weighed by this run.
    """
    flat = np.concatenate([predictions.means[:, :, None], predictions.columns], axis=2)
    flat = flat.reshape(len(flat), -1)

    def same(a: Array, b: Array) -> Array:
        found: Array = np.abs(flat[a] - flat[b]).max(axis=1) < SAME
        return found

    seen = np.ones(len(flat), dtype=bool)
    rest = np.arange(1, singles)
    seen[1:singles] = ~same(rest, np.zeros_like(rest))
    made = np.array([(p.index, p.first, p.second) for p in pairs]).reshape(-1, 3)
    like_first, like_second = same(made[:, 0], made[:, 1]), same(made[:, 0], made[:, 2])
    seen[made[:, 0]] = ~(like_first | like_second | ~seen[made[:, 1]] | ~seen[made[:, 2]])
    masked: dict[int, list[int]] = {}
    for (_, first, second), one, two in zip(made.tolist(), like_first, like_second, strict=True):
        if one and seen[second]:
            masked.setdefault(first, []).append(second)
        if two and seen[first]:
            masked.setdefault(second, []).append(first)
    return seen, {top: tuple(hidden) for top, hidden in masked.items()}


def _merged(candidates: Sequence[Candidate], probabilities: Array) -> tuple[Weighed, ...]:
    """Variants of one cause in one place together, named by the likeliest."""
    best: dict[tuple[Place, ...], int] = {}
    total: dict[tuple[Place, ...], float] = {}
    for index in np.argsort(-probabilities, kind="stable").tolist():
        faults = candidates[index].faults
        best.setdefault(faults, index)
        total[faults] = total.get(faults, 0.0) + float(probabilities[index])
    found = [Weighed(candidates[index], index, total[faults]) for faults, index in best.items()]
    return tuple(sorted(found, key=lambda w: -w.probability))


def together(weighing: Weighing, odds: float) -> tuple[Weighed, ...]:
    """The likeliest cause and those against which its odds are smaller than `odds`."""
    top = weighing.causes[0]
    return tuple(w for w in weighing.causes if w is top or w.probability * odds > top.probability > 0)
