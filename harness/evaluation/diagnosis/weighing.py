"""Probabilities of all hypotheses, which of them this run cannot tell apart, and what it does not show at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.causes import Catalogue
from harness.core.arrays import Array, Flags, Indices
from harness.evaluation.diagnosis.density import Density, broad, density
from harness.evaluation.diagnosis.evidence import Observations
from harness.evaluation.diagnosis.hypotheses import Candidate, CausePair, LocatedFault, hypotheses
from harness.evaluation.diagnosis.predictions import Model, build
from harness.files.device import Device

SAME = 0.1
"""Predictions that nowhere differ by more than this part of the readings' standard uncertainty count as one."""

SAYS_NOTHING = 5.0
"""Smallest factor between probabilities of a run at which it says anything of a cause beside another."""


@dataclass(frozen=True)
class Weighed:
    """A cause with all its variants: its likeliest variant, by index, and the probability of all."""

    candidate: Candidate
    index: int
    probability: float

    @property
    def faults(self) -> tuple[LocatedFault, ...]:
        return self.candidate.faults


@dataclass(frozen=True)
class Weighing:
    """Causes by falling probability; `other` is that of none of these. `unseen`: indices of single causes that act on nothing
    this run read. `masked`: causes that would not show beside the likeliest one. `aliases`: explanations that predict the very
    readings of the likeliest one. `fit`: probability of a fit as poor as that of the best explanation.
    """

    causes: tuple[Weighed, ...]
    other: float
    unseen: tuple[int, ...]
    masked: tuple[Candidate, ...]
    aliases: tuple[Candidate, ...]
    fit: float
    model: Model
    density: Density


@lru_cache(maxsize=8)
def _prepared(device: Device, catalogue: Catalogue) -> tuple[tuple[Candidate, ...], tuple[CausePair, ...], Model]:
    candidates, pairs = hypotheses(device, catalogue)
    return candidates, pairs, build(device, catalogue, candidates)


def candidates_of(device: Device, catalogue: Catalogue) -> tuple[Candidate, ...]:
    """Every candidate, as `Weighed.index` counts them."""
    return _prepared(device, catalogue)[0]


def weigh(device: Device, catalogue: Catalogue, data: Observations) -> Weighing:
    """Compare every hypothesis with the data (Bayes' theorem).

    Where even the best fits worse than the catalogue's limit, the listed ones lose probability to none of these in proportion.
    """
    candidates, pairs, model = _prepared(device, catalogue)
    predictions = model.predict(data.settings)
    common = density(data, catalogue.unmodelled.shape)
    flat = common.whitened(predictions)
    seen = _distinct(flat, pairs, len(candidates) - len(pairs))
    fits = common.of(predictions)
    priors = np.array([c.prior for c in candidates])
    logs = np.where(seen, fits.log + np.log(priors), -np.inf)
    alternatives = broad(data, len(device.ranges))
    share = math.log(catalogue.weights.none_of_these / len(alternatives))
    others = np.array([share + float(common.of(a).log[0]) for a in alternatives])
    highest = max(logs.max(), others.max())
    weights, other = np.exp(logs - highest), float(np.sum(np.exp(others - highest)))
    total = float(weights.sum()) + other
    fit = fits.probability(int(np.argmax(logs)), len(data.values))
    believed = min(1.0, fit / catalogue.limits.fit)
    causes = _merged(candidates, weights / total * believed)
    top = causes[0].index
    alike = _alike(flat, np.arange(len(flat)), np.full(len(flat), top))
    return Weighing(
        causes=causes,
        other=1 - believed * (1 - other / total),
        unseen=tuple(i for i in range(1, len(candidates) - len(pairs)) if not seen[i]),
        masked=tuple(candidates[i] for i in _masked(top, pairs, seen, alike, fits.log)),
        aliases=tuple(
            candidates[i]
            for i in np.flatnonzero(alike & seen).tolist()
            if candidates[i].faults != candidates[top].faults
        ),
        fit=fit,
        model=model,
        density=common,
    )


def _alike(flat: Array, first: Indices, second: Indices) -> Flags:
    """Whether the predictions at indices `first` are those at `second`; `flat` (h, m) in standard uncertainties."""
    found: Flags = np.abs(flat[first] - flat[second]).max(axis=1) < SAME
    return found


def _distinct(flat: Array, pairs: Sequence[CausePair], singles: int) -> Flags:
    """Flags (h,) of candidates with predictions unlike those of nothing wrong, or, for a pair, of one of its causes."""
    seen = np.ones(len(flat), dtype=bool)
    rest = np.arange(1, singles)
    seen[1:singles] = ~_alike(flat, rest, np.zeros_like(rest))
    made = np.array([(p.index, p.first, p.second) for p in pairs], dtype=np.int64).reshape(-1, 3)
    index, first, second = made.T
    seen[index] = seen[first] & seen[second] & ~_alike(flat, index, first) & ~_alike(flat, index, second)
    return seen


def _masked(top: int, pairs: Sequence[CausePair], seen: Flags, alike: Flags, likelihoods: Array) -> list[int]:
    """Single causes that change nothing told by the run beside the one at `top`; beside a sound meter (0) a cause stands alone."""
    if top == 0:
        singles = pairs[0].index if pairs else len(likelihoods)
        told_of = np.abs(likelihoods[:singles] - likelihoods[0]) > math.log(SAYS_NOTHING)
        return [i for i in range(1, singles) if seen[i] and not told_of[i]]
    found = []
    for pair in pairs:
        other = pair.second if pair.first == top else pair.first if pair.second == top else 0
        told = abs(float(likelihoods[pair.index] - likelihoods[top])) > math.log(SAYS_NOTHING)
        if other and seen[other] and (alike[pair.index] or not told):
            found.append(other)
    return found


def _merged(candidates: Sequence[Candidate], probabilities: Array) -> tuple[Weighed, ...]:
    """Join the variants of one cause in one place, named by the likeliest."""
    best: dict[tuple[LocatedFault, ...], int] = {}
    total: dict[tuple[LocatedFault, ...], float] = {}
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
