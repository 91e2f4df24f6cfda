"""Probabilities of all hypotheses, which of them this run cannot tell apart, and what it does not show at all."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.core.arrays import Array, Flags, Indices
from harness.evaluation.diagnosis.cause_schema import Catalogue
from harness.evaluation.diagnosis.density import Density, broad, density
from harness.evaluation.diagnosis.evidence import Observations
from harness.evaluation.diagnosis.hypotheses import Candidate, Hypotheses, hypotheses
from harness.evaluation.diagnosis.predictions import Model, build
from harness.evaluation.diagnosis.shared_predictions import Predict, alike_on_ranges, predicting
from harness.files.device import Device

SAYS_NOTHING = 5.0
"""Smallest factor between probabilities of a run at which it says anything of a cause beside another."""

SHOWN = 1e-6
"""Causes less likely than this are not listed."""

AT_ONCE = 8400
"""Readings predicted at once, those of each hypothesis counted: more take more memory and, beyond the processor's cache, more time."""


@dataclass(frozen=True)
class Weighed:
    """A cause with all its variants: its likeliest variant, by index, and the probability of all."""

    candidate: Candidate
    index: int
    probability: float


@dataclass(frozen=True)
class Weighing:
    """Causes by falling probability, as far as they are listed and one more; `sound` and `other` are those of nothing wrong and of
    none of these. `unseen`: indices of single causes that act on nothing this run read. `masked`: causes that would not show beside
    the likeliest one. `aliases`: explanations that predict the very readings of the likeliest one. `fit`: probability of a fit as
    poor as that of the best explanation.
    """

    causes: tuple[Weighed, ...]
    sound: float
    other: float
    unseen: tuple[int, ...]
    masked: tuple[Candidate, ...]
    aliases: tuple[Candidate, ...]
    fit: float
    found: Hypotheses
    model: Model
    density: Density


@dataclass(frozen=True)
class Compared:
    """h hypotheses and the data: `logs` (h,) of the density, `distinct` (h,): predictions unlike those of a sound meter or, for a pair,
    of one of its causes; `means` (h, n) of the predictions. A pair with a cause that is not distinct by itself was not predicted.
    """

    logs: Array
    distinct: Flags
    means: Array


@lru_cache(maxsize=8)
def _prepared(device: Device, catalogue: Catalogue) -> tuple[Hypotheses, Model, tuple[Indices, ...]]:
    found = hypotheses(device, catalogue)
    model = build(device, catalogue, found)
    return found, model, alike_on_ranges(found, model)


def weigh(device: Device, catalogue: Catalogue, data: Observations) -> Weighing:
    """Compare every hypothesis with the data (Bayes' theorem).

    Where even the best fits worse than the catalogue's limit, the listed ones lose probability to none of these in proportion.
    """
    found, model, alike_on = _prepared(device, catalogue)
    common = density(data, catalogue.unmodelled.shape)
    predict = predicting(model, alike_on, data.settings)
    compared = _compared(found, predict, common)
    logs = np.where(compared.distinct, compared.logs + np.log(found.priors), -np.inf)
    alternatives = broad(data, len(device.ranges))
    share = math.log(catalogue.weights.none_of_these / len(alternatives))
    others = np.array([share + common.of_alternative(a) for a in alternatives])
    highest = max(logs.max(), others.max())
    weights, other = np.exp(logs - highest), float(np.sum(np.exp(others - highest)))
    total = float(weights.sum()) + other
    fit = common.of(predict(np.array([np.argmax(logs)]))).probability(0, len(data.values))
    believed = min(1.0, fit / catalogue.limits.fit)
    probabilities = weights / total * believed
    causes = _merged(found, probabilities)
    top = causes[0].index
    alike = _alike_to(top, compared, predict, common)
    aliases = [found.candidate(i) for i in np.flatnonzero(alike & compared.distinct).tolist()]
    return Weighing(
        causes=causes,
        sound=float(probabilities[0]),
        other=1 - believed * (1 - other / total),
        unseen=tuple(np.flatnonzero(~compared.distinct[: len(found.singles)]).tolist()),
        masked=tuple(found.singles[i] for i in _masked(top, found, compared, alike)),
        aliases=tuple(c for c in aliases if c.faults != causes[0].candidate.faults),
        fit=fit,
        found=found,
        model=model,
        density=common,
    )


def _compared(found: Hypotheses, predict: Predict, common: Density) -> Compared:
    count, readings = len(found.priors), len(common.data.values)
    singles = predict(np.arange(len(found.singles)))
    shows = ~common.same(singles, singles, np.zeros(len(found.singles), dtype=np.int64))
    shows[0] = True
    logs, distinct, means = np.full(count, -np.inf), np.zeros(count, dtype=bool), np.full((count, readings), np.inf)
    # What one cause of a pair does not show, the pair does not show either: it is that of the other cause alone.
    for block in _blocks(np.flatnonzero(shows[found.first] & shows[found.second]), readings):
        predicted = predict(block)
        logs[block], means[block] = common.of(predicted).log, predicted.means
        like_one, like_other = (common.same(predicted, singles, of[block]) for of in (found.first, found.second))
        distinct[block] = (block < len(shows)) | ~(like_one | like_other)
    return Compared(logs, distinct, means)


def _blocks(indices: Indices, readings: int) -> Iterator[Indices]:
    size = max(1, AT_ONCE // readings)
    for start in range(0, len(indices), size):
        yield indices[start : start + size]


def _alike_to(top: int, compared: Compared, predict: Predict, common: Density) -> Flags:
    """Flags (h,) of the hypotheses that predict the very readings of `top`."""
    its = predict(np.array([top]))
    alike = common.near(compared.means, its.means)
    for block in _blocks(np.flatnonzero(alike), len(common.data.values)):
        alike[block] = common.same(predict(block), its, np.zeros_like(block))
    return alike


def _masked(top: int, found: Hypotheses, compared: Compared, alike: Flags) -> list[int]:
    """Single causes that change nothing told by the run beside the one at `top`; beside a sound meter (0) a cause stands alone."""
    beside = (found.first == top) | (found.second == top)
    beside[top] = False
    silent = alike | (np.abs(compared.logs - compared.logs[top]) <= math.log(SAYS_NOTHING))
    return [int(i) for i in (found.first + found.second - top)[beside & silent]]


def _merged(found: Hypotheses, probabilities: Array) -> tuple[Weighed, ...]:
    """Join the variants of one cause in one place, named by the likeliest; those that are listed, and one more."""
    order = np.argsort(-probabilities, kind="stable")
    variants = (found.variant_of[which[order]] for which in (found.first, found.second))
    _, likeliest, cause = np.unique(np.stack([*variants], axis=1), axis=0, return_index=True, return_inverse=True)
    totals = np.bincount(cause, weights=probabilities[order])
    falling = np.lexsort((likeliest, -totals))
    told = falling[: 1 + max(1, int(np.count_nonzero(totals >= SHOWN)))]
    return tuple(
        Weighed(found.candidate(i), i, float(p))
        for i, p in zip(order[likeliest[told]].tolist(), totals[told], strict=True)
    )


def together(weighing: Weighing, odds: float) -> tuple[Weighed, ...]:
    """The likeliest cause and those against which its odds are smaller than `odds`."""
    top = weighing.causes[0]
    return tuple(w for w in weighing.causes if w is top or w.probability * odds > top.probability > 0)
