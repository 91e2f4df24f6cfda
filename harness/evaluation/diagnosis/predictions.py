"""Predictions of every hypothesis for every observation: a mean, and one column for each unknown with a normal prior.

All predictions are linear in the unknowns, so data and unknowns are jointly normal and every probability has a closed form.
A column holds what its unknown, at one standard deviation, does to the observations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.core.arrays import Array, Flags, Indices
from harness.evaluation.diagnosis.cause_schema import OF_WAVEFORMS, Catalogue, Priors
from harness.evaluation.diagnosis.evidence import POWER, RATIO, SECONDARY, THRESHOLD, ZERO, Settings
from harness.evaluation.diagnosis.hypotheses import Hypotheses
from harness.evaluation.diagnosis.magnetic_core import ArrivingFraction, Core, clipped, driven, loaded
from harness.evaluation.diagnosis.waveform_effects import (
    WaveformEffects,
    WaveformUnknowns,
    waveform_effects,
    waveform_moments,
)
from harness.files.device import Device

KEYS = (
    "gain", "slope", "droop_at_top", "droop_at_bottom", "added_current",
    "offset", "voltage_gain", "phase", "phase_slope", "threshold", "bend", "burden", "closed_turn",
    "transformer_gain", "trimmed", "reference",
)  # fmt: skip
TOP, BOTTOM = KEYS.index("droop_at_top"), KEYS.index("droop_at_bottom")
BURDEN, CLOSED_TURN, PHASE = KEYS.index("burden"), KEYS.index("closed_turn"), KEYS.index("phase")
SUMMED = np.array([key not in ("burden", "closed_turn", "phase") for key in KEYS])
"""Keys whose prior means are added to a reading; the others multiply it, and are in it already."""
FROM_LOAD = 0.1
"""Part of the rated ampere-turns where a slope per decade changes nothing."""
BOTTOM_FROM, BOTTOM_AT = 0.2, 0.01
"""Parts of the rated ampere-turns between which a droop at the bottom grows."""
NO_TURNS = 0.02
"""Turns used instead of none, where a prediction would be infinite."""


@dataclass(frozen=True)
class Predictions:
    """`means` (h, n) and `columns` (h, n, k) of h hypotheses for n observations."""

    means: Array
    columns: Array


@dataclass(frozen=True)
class Model:
    """h hypotheses about a device with r ranges as arrays.

    `turns` (h, r): signed turns over turns described. `display` (h, r): what the display multiplies beyond the description.
    `sense`, `alive` (h,). `means`, `deviations` (h, scope, key) of the unknowns, `acts` (h, scope, r) on which ranges; `waveforms`: the unknowns
    by which a current that is no sine is read.
    """

    device: Device
    of_droop: float
    input_clips_by: float
    turns: Array
    display: Array
    sense: Array
    alive: Flags
    means: Array
    deviations: Array
    acts: Array
    waveforms: WaveformUnknowns

    def part(self, indices: Indices) -> Model:
        """The same for some of the hypotheses."""
        i = indices
        return Model(
            self.device, self.of_droop, self.input_clips_by, self.turns[i], self.display[i], self.sense[i], self.alive[i],
            self.means[i], self.deviations[i], self.acts[i], self.waveforms.part(i),
        )  # fmt: skip

    def predict(self, at: Settings) -> Predictions:
        """Means and columns at `at`; priors that act on the same ranges have one column together, whether they act here or not."""
        base, shapes, knees, others = self._shapes(at)
        acts = self.acts[:, :, at.rng]
        # (h, scope, n, key): what each unknown does where it acts.
        columns = shapes[:, None] * self.deviations[:, :, None, :]
        columns *= acts[..., None]
        means = base + np.sum(acts * ((self.means * SUMMED) @ np.swapaxes(shapes, 1, 2)), axis=1)
        excess = np.hypot(self.means, self.deviations)[:, :, None, [TOP, BOTTOM]] * self.of_droop
        bent = acts[..., None] * knees[:, None] * excess
        count, width = len(base), at.rng.shape[0]
        flat = [np.moveaxis(part, 1, 2).reshape(count, width, -1) for part in (columns, bent)]
        return Predictions(means, np.concatenate([*flat, others], axis=2))

    def _shapes(self, at: Settings) -> tuple[Array, Array, Array, Array]:
        """Readings with every unknown at zero (h, n); effects of each key (h, n, key), of the knees (h, n, 2), of core, input and waveform (h, n, k)."""
        device, display = self.device, self.device.display
        scale = np.array([r.display_factor for r in device.ranges])[at.rng]
        least = device.ranges[-1].minimum_current
        ratio, zero, power, threshold, secondary = (at.kind == k for k in (RATIO, ZERO, POWER, THRESHOLD, SECONDARY))
        module = ~secondary
        signed = self.turns[:, at.rng] * self.alive[:, None]
        # The display is behind the secondary.
        factor = np.abs(signed) * np.where(secondary, 1.0, self.display[:, at.rng])
        load, core, turn, iron, entry, shaped = self._path(at, signed)
        decades = np.log10(load / FROM_LOAD)
        top = np.minimum(load, 1.5)
        squared = top**2
        bottom = np.maximum(0.0, np.log10(BOTTOM_FROM / load)) / math.log10(BOTTOM_FROM / BOTTOM_AT)
        arrives = turn.arrives * iron.arrives * np.where(secondary, 1.0, entry.arrives) * shaped.factor
        # A threshold acts before the display multiplies, and falls as the turns rise.
        inverse = 1 / np.maximum(np.abs(signed), NO_TURNS) / arrives
        sign = (ratio | secondary) + np.sign(signed) * self.sense[:, None] * power
        # 1 + e = cos(phi - delta) / cos(phi), exact for what the displacement delta is on the average, straight about it.
        delta = self._mean(PHASE, at)
        turned = np.where(power, np.cos(delta) + at.tangent * np.sin(delta), 1.0)
        with_angle = np.where(power, at.tangent * np.cos(delta) - np.sin(delta), 0.0)
        untilted = sign * factor * arrives - inverse * threshold
        flowing = untilted * turned
        base = np.where(zero, 0.0, np.where(threshold, inverse, flowing) - 1)
        step = display.resolution * scale * self.display[:, at.rng] / at.current
        readable = display.smallest_readable_current
        added = factor * least / at.current
        shapes = np.stack(
            [
                flowing * module,
                flowing * decades,
                flowing * squared**2 * ~core.saturates_early,
                flowing * bottom,
                added * (ratio | zero | secondary)
                + added / at.power_factor * power
                - least / (readable * scale) * threshold,
                step * (ratio | zero) - inverse * display.resolution / readable * threshold,
                flowing * power,
                untilted * with_angle,
                flowing * at.tangent * decades * power,
                inverse * threshold,
                flowing * top * module,
                flowing * turn.columns[1] / turn.arrives,
                flowing * turn.columns[0] / turn.arrives,
                flowing,
                flowing * secondary,
                flowing,
            ],
            axis=2,
        )
        columns = [flowing * column / iron.arrives for column in iron.columns]
        columns += [flowing * module * column / entry.arrives for column in entry.columns]
        columns += [flowing * column for column in np.moveaxis(shaped.columns, 2, 0)]
        return base, shapes, _knees(flowing, squared, bottom, core), np.stack(columns, axis=2)

    def _path(
        self, at: Settings, signed: Array
    ) -> tuple[Array, Core, ArrivingFraction, ArrivingFraction, ArrivingFraction, WaveformEffects]:
        """Load in parts of the rated one (h, n), the core, what passes a closed turn, the core and the module's input, and effects of waveforms."""
        transformer = self.device.transformer
        rated = transformer.rated_secondary_current * transformer.secondary_turns
        described = np.array([r.primary_turns for r in self.device.ranges], dtype=float)[at.rng]
        load = np.maximum(np.abs(signed) * described * at.current / rated, 1e-4)
        core = Core(
            -self._mean(TOP, at), self._deviation(TOP, at), 1 + self._mean(BURDEN, at), self._deviation(BURDEN, at)
        )
        largest = transformer.maximum_secondary_current / transformer.rated_secondary_current
        turn = loaded(self._mean(CLOSED_TURN, at), core.burden)
        iron = driven(load, core, self.of_droop)
        arrives = load * turn.arrives * iron.arrives
        entry = clipped(arrives, largest, largest * self.input_clips_by)
        return load, core, turn, iron, entry, waveform_effects(at, self.waveforms, arrives, core.burden - 1)

    def _mean(self, key: int, at: Settings) -> Array:
        """Sum of the prior means of `key` for each observation (h, n)."""
        found: Array = np.einsum("hsn,hs->hn", self.acts[:, :, at.rng], self.means[:, :, key])
        return found

    def _deviation(self, key: int, at: Settings) -> Array:
        found: Array = np.sqrt(np.einsum("hsn,hs->hn", self.acts[:, :, at.rng], self.deviations[:, :, key] ** 2))
        return found


def _knees(flowing: Array, squared: Array, bottom: Array, core: Core) -> Array:
    """Knees of other sharpness (h, n, 2): the difference of other curves, equal at both ends, from those of the droops."""
    top = flowing * (squared - squared**2) * ~core.saturates_early
    return np.stack([top, flowing * (bottom**2 - bottom)], axis=2)


def build(device: Device, catalogue: Catalogue, found: Hypotheses) -> Model:
    """The arrays of all hypotheses. What acts on all ranges comes together in the first scope, each cause on one range has its own."""
    names = [r.name for r in device.ranges]
    means, variances = np.zeros((2, len(found.singles), len(KEYS)))
    waveforms = np.zeros((2, len(found.singles), len(OF_WAVEFORMS)))
    places = np.zeros((len(found.singles), len(names)))
    for i, single in enumerate(found.singles):
        for priors, place in single.effects:
            means[i], variances[i] = _moments(priors)
            waveforms[:, i] = waveform_moments(priors)
            places[i] = [name == place for name in names]
    local = np.max(places, axis=1, keepdims=True) > 0
    scopes = 3 if local.any() else 1
    all_means, all_variances = np.zeros((2, len(found.priors), scopes, len(KEYS)))
    acts = np.zeros((len(found.priors), scopes, len(names)))
    all_means[:, 0], all_variances[:, 0] = _moments(catalogue.ordinary)
    acts[:, 0] = 1.0
    for scope, which in enumerate((found.first, found.second), start=1):
        for moments, of_single in ((all_means, means), (all_variances, variances)):
            own = of_single[which]
            moments[:, 0] += np.where(local[which], 0.0, own)
            if scopes > 1:
                moments[:, scope] = np.where(local[which], own, 0.0)
                acts[:, scope] = places[which]
    # In the circuit seen from the secondary, where it is a conductance beside the loop.
    transformer = device.transformer
    loop = (transformer.burden + (transformer.winding_resistance or 0.0)) / transformer.secondary_turns**2
    all_means[:, :, CLOSED_TURN] *= loop
    all_variances[:, :, CLOSED_TURN] *= loop**2
    return Model(
        device=device,
        of_droop=catalogue.unmodelled.of_droop,
        input_clips_by=catalogue.unmodelled.input_clips_by,
        turns=found.circuit.turns() / np.array([r.primary_turns for r in device.ranges]),
        display=found.circuit.display(),
        sense=found.circuit.power_sense,
        alive=found.circuit.alive,
        means=all_means,
        deviations=np.sqrt(all_variances),
        acts=acts,
        waveforms=_together(waveform_moments(catalogue.ordinary), waveforms, found),
    )


def _together(ordinary: tuple[Array, Array], of_singles: Array, found: Hypotheses) -> WaveformUnknowns:
    """What is ordinary, and what both causes of a hypothesis add; means and variances come first in `of_singles`."""
    means, variances = (
        part + own[found.first] + own[found.second] for part, own in zip(ordinary, of_singles, strict=True)
    )
    return WaveformUnknowns(means, np.sqrt(variances), bool(means[:, OF_WAVEFORMS.index("clipping")].any()))


def _moments(priors: Priors) -> tuple[Array, Array]:
    """Means and variances of the keys."""
    found = [getattr(priors, key) for key in KEYS]
    return np.array([p.mean for p in found]), np.array([p.deviation**2 for p in found])
