"""Predictions of many hypotheses, of which each range is predicted once for all that have it alike.

Two causes at once change one range or two, and leave the others as they are with one cause or none: the distinct predictions for a range grow
with what can be wrong on it and hardly with the pairs. With few ranges most hypotheses are distinct on each, and nothing is gained.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from harness.core.arrays import Array, Flags, Indices
from harness.evaluation.diagnosis.evidence import Settings
from harness.evaluation.diagnosis.hypotheses import Hypotheses
from harness.evaluation.diagnosis.predictions import Model, Predictions

WORTH_SHARING = 0.25
"""Part of all predicted readings that may be distinct, at most, for sharing to be quicker."""

MOST_KEPT = 250_000
"""Distinct readings predicted that are kept at once, at most: some 50 MB."""

Predict = Callable[[Indices], Predictions]
"""Predictions of some hypotheses, by index. Unknowns that act in none of all may have no column."""


@dataclass(frozen=True)
class _OnRange:
    """Predictions for the n readings at `places` of a range, of d distinct hypotheses; `alike` (h,): which of these each hypothesis is."""

    places: Indices | slice
    alike: Indices
    predicted: Predictions

    def of_unknowns(self, which: Flags) -> _OnRange:
        """The same without the columns of other unknowns."""
        return replace(self, predicted=Predictions(self.predicted.means, self.predicted.columns[:, :, which]))


def alike_on_ranges(found: Hypotheses, model: Model) -> tuple[Indices, ...]:
    """For each range a number for every hypothesis (h,), counted from 0 and the same for those that predict the same of it."""
    effects: dict[object, int] = {}
    of_single = np.array([effects.setdefault(single.effects, len(effects)) for single in found.singles])
    unknowns = of_single[found.first] * len(effects) + of_single[found.second]
    common = _numbered(_numbered(unknowns, model.alive), model.sense)
    return tuple(
        _numbered(_numbered(common, model.turns[:, rng]), model.display[:, rng]) for rng in range(model.turns.shape[1])
    )


def _numbered(numbers: Indices, values: Array | Flags) -> Indices:
    """One number for each pair of both (h,)."""
    _, places = np.unique(values, return_inverse=True)
    _, found = np.unique(numbers * (places.max() + 1) + places, return_inverse=True)
    return found


def predicting(model: Model, alike: tuple[Indices, ...], at: Settings) -> Predict:
    """Predictions of `model` at `at`, shared where that is quicker; `alike` as of `alike_on_ranges`."""
    kept = sum(int(numbers.max() + 1) * int(np.count_nonzero(at.rng == rng)) for rng, numbers in enumerate(alike))
    if kept > min(MOST_KEPT, WORTH_SHARING * len(model.turns) * len(at.rng)):
        return lambda indices: model.part(indices).predict(at)
    whole = [_on_range(model, rng, numbers, at) for rng, numbers in enumerate(alike) if np.any(at.rng == rng)]
    acting = np.any([part.predicted.columns.any(axis=(0, 1)) for part in whole], axis=0)
    ranges = [part.of_unknowns(acting) for part in whole]

    def predict(indices: Indices) -> Predictions:
        means = np.empty((len(indices), len(at.rng)))
        columns = np.empty((*means.shape, int(np.count_nonzero(acting))))
        for part in ranges:
            which = part.alike[indices]
            means[:, part.places] = part.predicted.means[which]
            columns[:, part.places] = part.predicted.columns[which]
        return Predictions(means, columns)

    return predict


def _on_range(model: Model, rng: int, alike: Indices, at: Settings) -> _OnRange:
    places = np.flatnonzero(at.rng == rng)
    _, first = np.unique(alike, return_index=True)
    predicted = model.part(first).predict(Settings(*(part[places] for part in vars(at).values())))
    # A range is mostly read in one go, and a slice is copied quicker.
    inside = slice(int(places[0]), int(places[-1]) + 1)
    return _OnRange(inside if np.all(at.rng[inside] == rng) else places, alike, predicted)
