"""Effects of the waveform of a load on the readings, under every hypothesis: transformer, core, module and reference one after the other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.core.arrays import Array, Indices
from harness.evaluation.diagnosis.cause_schema import OF_WAVEFORMS, FractionPrior, Priors, SpreadPrior
from harness.evaluation.diagnosis.evidence import SECONDARY, Settings
from harness.evaluation.diagnosis.waveform_factors import (
    Factor,
    Unknown,
    biased,
    clipping,
    high_pass,
    low_pass,
    mean_response,
    passed,
    straight,
    tabulated,
)
from instruments.waveform_names import SINE_CREST_FACTOR, Waveform
from instruments.waveforms import crest_factor_of, unit_samples

WIDTH = 2 * len(OF_WAVEFORMS) + 1
"""Columns of the effects: straight and curved of every key, and the sharpness of a saturation by the direct part."""
OF_CORNER = 6 / 7
"""In saturation a core's magnetising current grows with the seventh power of its flux, so the direct current raises the corner by this power."""
SHARPNESS = 0.12
"""Standard deviation of that power: a judgement."""


OF_BURDEN = 1e-3
"""Standard deviation of what a burden doubled changes of a waveform of twice a sine's crest factor, beside a sine, as a part of the reading: a judgement."""


@dataclass(frozen=True)
class WaveformEffects:
    """What the waveforms make of readings: `factor` (h, n) on them, and `columns` (h, n, k), each a standard deviation of an unknown, as a part of it."""

    factor: Array
    columns: Array


@dataclass(frozen=True)
class WaveformUnknowns:
    """Means and standard deviations (h, k) of the keys `OF_WAVEFORMS` under h hypotheses; `of_sines`: whether one of all acts on a sine too."""

    means: Array
    deviations: Array
    of_sines: bool

    def part(self, indices: Indices) -> WaveformUnknowns:
        """The same for some of the hypotheses."""
        return WaveformUnknowns(self.means[indices], self.deviations[indices], self.of_sines)

    def of(self, key: str) -> Unknown:
        """One key, (h, 1)."""
        at = OF_WAVEFORMS.index(key)
        return Unknown(self.means[:, [at]], self.deviations[:, [at]])


def waveform_moments(priors: Priors) -> tuple[Array, Array]:
    """Means and variances (k,) of the keys `OF_WAVEFORMS`."""
    found = [_moments(getattr(priors, key)) for key in OF_WAVEFORMS]
    return np.array([mean for mean, _ in found]), np.array([deviation**2 for _, deviation in found])


def _moments(prior: FractionPrior | SpreadPrior) -> tuple[float, float]:
    if isinstance(prior, SpreadPrior):
        return (prior.least + prior.most) / 2, (prior.most - prior.least) / math.sqrt(12)
    return prior.mean, prior.deviation


def waveform_effects(at: Settings, unknowns: WaveformUnknowns, load: Array, burden: Array) -> WaveformEffects:
    """What the waveforms make of the readings at `at`; no columns where nothing acts.

    `load` (h, n) is the current that arrives in the secondary, as a part of the rated one, `burden` (h, n) what the loop has beyond a sound one's.
    """
    if not at.shaped.any() and not unknowns.of_sines:
        return WaveformEffects(np.ones((1, 1)), np.zeros((*load.shape, 0)))
    factor, columns = np.ones(load.shape), np.zeros((*load.shape, WIDTH))
    module = at.kind != SECONDARY
    for waveform in dict.fromkeys(at.waveform.tolist()):
        for in_module in (False, True):
            places = np.flatnonzero((at.waveform == waveform) & (module == in_module))
            if len(places):
                found = _effects(waveform, unknowns, load[:, places], in_module)
                factor[:, places], columns[:, places] = found.factor, found.columns
    return WaveformEffects(factor, np.concatenate([columns, _of_burden(at, load, burden)], axis=2))


def _of_burden(at: Settings, load: Array, burden: Array) -> Array:
    """What a larger burden may change for steep waveforms (h, n, 3): their flux swings less, and the permeability is another one there."""
    steep = np.array([crest_factor_of(unit_samples(w)) / SINE_CREST_FACTOR - 1 for w in at.waveform], dtype=float)
    size = OF_BURDEN * burden * np.abs(steep) * at.shaped
    decades = np.log10(load)
    return np.stack([size, size * decades, size * decades**2], axis=2)


def _effects(waveform: Waveform, unknowns: WaveformUnknowns, load: Array, in_module: bool) -> WaveformEffects:
    """One waveform: readings `in_module`, or in the secondary before it."""
    parts = {"high_pass": tabulated(high_pass(waveform), unknowns.of("high_pass"))}
    if not waveform.symmetrical:
        corner = unknowns.of("direct_saturation").times(load**OF_CORNER)
        parts["direct_saturation"] = tabulated(biased(waveform), corner)
    arrives = math.prod((part.factor for part in parts.values()), start=np.full(load.shape, passed(waveform)))
    if in_module:
        parts["mean_response"] = straight(mean_response(waveform), unknowns.of("mean_response"))
        parts["low_pass"] = tabulated(low_pass(waveform), unknowns.of("low_pass"))
        # The peak of a sine of the rated current over the level, times this, is the effective value over the level.
        over_level = unknowns.of("clipping").times(load * arrives / math.sqrt(2))
        parts["clipping"] = tabulated(clipping(waveform), over_level)
    reference = straight(mean_response(waveform, direct=True), unknowns.of("reference_mean_response"))
    columns = np.zeros((*load.shape, WIDTH))
    columns[..., OF_WAVEFORMS.index("reference_mean_response")] = -reference.column
    for key, part in parts.items():
        place = OF_WAVEFORMS.index(key)
        columns[..., place] = part.column
        columns[..., len(OF_WAVEFORMS) + place] = part.curvature
    if not waveform.symmetrical:
        columns[..., -1] = _sharpness(waveform, corner.mean, load, parts["direct_saturation"])
    factor = math.prod((part.factor for part in parts.values()), start=passed(waveform) / reference.factor)
    return WaveformEffects(factor, columns)


def _sharpness(waveform: Waveform, corner: Array, load: Array, saturated: Factor) -> Array:
    """What another power of the load changes of the corner, and so of the part that passes."""
    other = tabulated(biased(waveform), Unknown(corner * load**SHARPNESS, np.zeros_like(corner)))
    plain = tabulated(biased(waveform), Unknown(corner, np.zeros_like(corner)))
    return (other.factor - plain.factor) / saturated.factor
