"""The one further measurement that would tell the remaining explanations apart best, by expected information.

The information a measurement is expected to give about which hypothesis is true is their mutual information (Lindley, On a
measure of the information provided by an experiment, 1956). Under each hypothesis the next reading is normal, given all
that has been read; the integral over the mixture is done by Gauss and Hermite's rule.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.diagnosis.density import OF_WAVEFORM, Density, unmodelled
from harness.evaluation.diagnosis.evidence import (
    POWER,
    RATIO,
    SECONDARY,
    THRESHOLD,
    ZERO,
    Observations,
    Setting,
    settings,
)
from harness.evaluation.diagnosis.predictions import Model
from harness.evaluation.uncertainty.shared_inputs import whitener
from harness.files.device import Device
from instruments.waveform_names import Waveform
from instruments.waveforms import crest_factor_of, unit_samples

VOLTAGE = 230.0
"""Volts at which a power would be read, for its resolution only (IEC 60038)."""
SEARCH = 0.02
"""Standard uncertainty of a smallest readable current that was searched for, relative, beside the display step."""
ANGLE = 5e-4
"""Standard uncertainty of the reference's angle in radians."""
THROUGH = 2e-3
"""Standard uncertainty of a multimeter in the secondary, relative: a judgement."""
WORTH = 0.1
"""A measurement expected to give less than this part of what is missing is not proposed."""
SAME_PLACE = 0.05
"""A current nearer (relative) to one already read than this is the same place on the meter's curve."""
AT_HAND = (Waveform("phase_cut", 90.0), Waveform("rectifier", 30.0))
"""Waveforms that somebody is likely to have: a dimmed heater, and a supply with a capacitor."""
SPREAD_OF_LOADS = 1.1
"""A load may draw this many times what is written on it."""
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(24)
NODE_WEIGHTS = NODE_WEIGHTS / NODE_WEIGHTS.sum()


@dataclass(frozen=True)
class Measurement(Setting):
    """A possible measurement; with `other`, the difference from what is read on that range."""

    other: str = ""


@dataclass(frozen=True)
class Advice:
    """The best measurement, its expected information as a part of what is missing, and the reading each hypothesis expects (h,)."""

    measurement: Measurement
    gain: float
    expected: Array
    deviations: Array


def measurements(device: Device, shaped: bool = False) -> list[Measurement]:
    """Everything a technician could do in a minute, within what the ranges claim; `shaped`: with loads whose current is no sine too."""
    found = _of_waveforms(device) if shaped else []
    for rng in device.ranges:
        middle = float(f"{math.sqrt(rng.minimum_current * rng.maximum_current):.2g}")
        found += [Measurement(RATIO, rng.name, c) for c in (rng.minimum_current, middle, rng.maximum_current)]
        if device.display.power_resolution is not None:
            found += [Measurement(POWER, rng.name, middle, pf) for pf in (1.0, 0.5)]
        found.append(Measurement(ZERO, rng.name, rng.minimum_current))
        found.append(Measurement(THRESHOLD, rng.name, device.display.smallest_readable_current * rng.display_factor))
    common = min(r.maximum_current for r in device.ranges)
    for i, rng in enumerate(device.ranges):
        found.append(Measurement(SECONDARY, rng.name, rng.maximum_current))
        found += [Measurement(RATIO, rng.name, common, other=o.name) for o in device.ranges[i + 1 :]]
    return found


def _of_waveforms(device: Device) -> list[Measurement]:
    """The waveforms at hand, on every range at the largest current whose peak its input withstands, and at a fifth of it."""
    found, transformer = [], device.transformer
    for rng in device.ranges:
        peak = math.sqrt(2) * transformer.maximum_secondary_current * transformer.secondary_turns / rng.primary_turns
        for waveform in AT_HAND:
            most = min(rng.maximum_current, peak / crest_factor_of(unit_samples(waveform)) / SPREAD_OF_LOADS)
            currents = (float(f"{c:.2g}") for c in (most, most / 5))
            found += [Measurement(RATIO, rng.name, c, waveform=waveform) for c in currents if c >= rng.minimum_current]
    return found


def advise(model: Model, probabilities: Sequence[float], after: Density, shape: float) -> Advice:
    """The best of `measurements` for the hypotheses of `model`, of these probabilities, after the data of `after`."""
    device, data = model.device, after.data
    options = measurements(device, bool(data.settings.shaped.any()))
    places = [*options, *(replace(m, range=m.other or m.range) for m in options)]
    noise, shared = _uncertainty(device, data, places, shape)
    read, further = model.predict(data.settings), model.predict(settings(device, places))
    half, pair = len(options), np.array([bool(m.other) for m in options])
    expected, deviations = np.zeros((2, len(read.means), half))
    for h, (old, new) in enumerate(zip(read.columns, further.columns, strict=True)):
        reach = new @ old.T + shared
        white = whitener(after.common.beside(0.0, old))(np.column_stack([data.values - read.means[h], reach.T]))
        means = further.means[h] + white[:, 1:].T @ white[:, 0]
        joint = new @ new.T + noise - white[:, 1:].T @ white[:, 1:]
        variances = np.diag(joint)
        expected[h] = means[:half] - pair * means[half:]
        variance = variances[:half] + pair * (variances[half:] - 2 * np.diag(joint[:half, half:]))
        deviations[h] = np.sqrt(np.maximum(variance, 1e-12))
    weights = np.array(probabilities) / np.sum(probabilities)
    told = (_information(weights, expected[:, m], deviations[:, m]) for m in range(half))
    blank = [_stays_blank(device, option, expected[:, m]) for m, option in enumerate(options)]
    information = np.where(blank, 0.0, [*told])
    missing = -float(np.sum(weights * np.log(np.maximum(weights, 1e-300))))
    # Nobody opens a secondary for what another reading tells as well.
    into_secondary = np.array([option.kind == SECONDARY for option in options])
    if information[~into_secondary].max() >= WORTH * missing or SECONDARY in data.settings.kind:
        information[into_secondary] = 0.0
    # Of measurements equally good to a hundredth the first is taken, so that rounding decides nothing.
    best = int(np.argmax(information > information.max() - 0.01 * missing))
    return Advice(
        options[best], float(information[best]) / missing if missing else 0.0, expected[:, best], deviations[:, best]
    )


def _stays_blank(device: Device, option: Measurement, expected: Array) -> bool:
    """Whether the display would show nothing without current under every hypothesis."""
    rng = device.range_named(option.range)
    readable = device.display.smallest_readable_current * rng.display_factor
    return option.kind == ZERO and float(expected.max()) * rng.minimum_current < readable


def _information(weights: Array, means: Array, deviations: Array) -> float:
    """Mutual information in nats between the hypothesis and a reading that is normal under each."""
    readings = means[:, None] + deviations[:, None] * NODES
    z = (readings[None] - means[:, None, None]) / deviations[:, None, None]
    logs = -0.5 * z**2 - np.log(deviations)[:, None, None]
    highest = logs.max(axis=0)
    mixture = highest + np.log(np.einsum("k,khn->hn", weights, np.exp(logs - highest)))
    own = -0.5 * NODES**2 - np.log(deviations)[:, None]
    return max(0.0, float(np.sum(weights[:, None] * NODE_WEIGHTS * (own - mixture))))


def _uncertainty(device: Device, data: Observations, places: Sequence[Setting], shape: float) -> tuple[Array, Array]:
    """Covariance of the candidates' own noise (m, m) and with the data (m, n): the reference's share is that of the nearest point."""
    display = device.display
    points, every = np.flatnonzero(data.settings.kind == RATIO), np.arange(len(data.values))
    own, shared = np.zeros(len(places)), np.zeros((len(places), len(data.values)))
    nearest = np.full(len(places), -1)
    model_error, variances = unmodelled(data, shape), data.shared.variances
    for i, place in enumerate(places):
        rng = device.range_named(place.range)
        elsewhere = data.settings.rng[points] != device.ranges.index(rng)
        step = display.resolution * rng.display_factor / place.current / math.sqrt(12)
        if place.kind == ZERO or not len(points):
            own[i] = step**2 + (0 if place.kind == ZERO else (0.001**2 + shape**2))
            continue
        away = np.abs(np.log(data.settings.current[points] / place.current))
        first = int(np.argmin(away + 1e-3 * elsewhere))
        near = int(points[first])
        reference = float(variances[near])
        if place.kind == RATIO:
            nearest[i] = near
            shared[i] = data.shared.between(every[[near]], every)[0]
            alike = data.settings.waveform[near] == place.waveform
            same = alike and not elsewhere[first] and float(away.min()) < SAME_PLACE
            shared[i, near] += model_error[near] ** 2 if same else 0.0
            elsewhere_known = shape if place.waveform.sinusoidal else OF_WAVEFORM * shape
            own[i] = step**2 + (model_error[near] if same else elsewhere_known) ** 2
        elif place.kind == SECONDARY:
            own[i] = reference + THROUGH**2 + shape**2
        elif place.kind == POWER:
            angle = math.tan(math.acos(place.power_factor))
            watts = VOLTAGE * place.current * place.power_factor
            power = (display.power_resolution or 0.0) * rng.display_factor / watts
            own[i] = 2 * reference + power**2 / 12 + (ANGLE * angle) ** 2 + (shape * (1 + angle)) ** 2
        else:
            own[i] = reference + SEARCH**2 + (display.resolution / display.smallest_readable_current) ** 2 / 12
    known = nearest >= 0
    return np.diag(own) + np.outer(known, known) * data.shared.between(nearest, nearest), shared
