"""Errors of a sound meter's readings: the [ordinary] errors of a catalogue of causes, and those that no cause models."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.diagnosis.cause_schema import Catalogue
from harness.evaluation.diagnosis.evidence import POWER, Setting, Settings, settings
from harness.evaluation.diagnosis.hypotheses import sound_meter
from harness.evaluation.diagnosis.predictions import build
from harness.files.device import Device


@dataclass(frozen=True)
class OrdinaryErrors:
    """Errors at n places as fractions of the reading: `means` (n,), and `columns` (n, k), each a standard deviation of an unknown."""

    means: Array
    columns: Array

    def drawn(self, generator: np.random.Generator, count: int) -> Array:
        """The errors of `count` sound meters, (count, n)."""
        unknowns = generator.standard_normal((count, self.columns.shape[1]))
        found: Array = self.means + unknowns @ self.columns.T
        return found


def ordinary_errors(device: Device, catalogue: Catalogue, places: Sequence[Setting]) -> OrdinaryErrors:
    """The ordinary errors of `catalogue` at `places`: the same unknowns, with their priors, as every diagnosis uses.

    The shape of a real core is a draw of its own for every ampere-turns, shared by all that is read there.
    """
    at = settings(device, places)
    predicted = build(device, catalogue, sound_meter(device)).predict(at)
    acting = predicted.columns[0][:, predicted.columns[0].any(axis=0)]
    columns = np.concatenate([acting, _shapes(device, catalogue, places, at)], axis=1)
    return OrdinaryErrors(predicted.means[0], columns)


def _shapes(device: Device, catalogue: Catalogue, places: Sequence[Setting], at: Settings) -> Array:
    """Unmodelled errors, (n, groups): one unknown for all places of nearly the same ampere-turns (within 1 %)."""
    turns = {r.name: r.primary_turns for r in device.ranges}
    group = [round(100 * math.log(turns[p.range] * p.current)) for p in places]
    known = sorted(set(group))
    found = np.zeros((len(places), len(known)))
    # As in a diagnosis: at an angle the phase displacement is not exactly of the shape assumed either.
    size = catalogue.unmodelled.shape * (1 + np.abs(at.tangent) * (at.kind == POWER))
    found[np.arange(len(places)), [known.index(g) for g in group]] = size
    return found
