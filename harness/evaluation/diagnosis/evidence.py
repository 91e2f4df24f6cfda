"""Evidence of a diagnosis as one vector: ratio errors, zeros, power errors, smallest readable and secondary currents."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import ufloat

from harness.core.arrays import Array, Flags
from harness.evaluation.ratio.error_split import Split
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.gum_formulas import rectangular
from harness.evaluation.uncertainty.shared_inputs import SharedCovariance, shared_covariance
from harness.files.device import Device
from instruments.waveform_names import SINE, Waveform

RATIO, ZERO, POWER, THRESHOLD, SECONDARY = 0, 1, 2, 3, 4


@dataclass(frozen=True)
class Setting:
    """What is read, and where: its kind, the range, the current in amperes, the power factor (negative: leading), the waveform of the current."""

    kind: int
    range: str
    current: float
    power_factor: float = 1.0
    waveform: Waveform = SINE


@dataclass(frozen=True)
class FurtherEvidence:
    """Evidence beside currents, as far as it was read: values of `uncertainties` that may share inputs with the points.

    `powers`: displayed over true power less one, at its setting. `thresholds`: the smallest primary current shown, in amperes, by
    range. `secondaries`: what went through the secondary.
    """

    powers: Sequence[tuple[Setting, Any]] = ()
    thresholds: Mapping[str, Any] = field(default_factory=dict)
    secondaries: Sequence[Split] = ()


CURRENTS_ONLY = FurtherEvidence()
"""Evidence of a run that read currents alone."""


@dataclass(frozen=True)
class Settings:
    """Settings of n observations: kind, index of the range, primary current in amperes, tangent of the load's angle, power factor, waveform."""

    kind: NDArray[np.int64]
    rng: NDArray[np.int64]
    current: Array
    tangent: Array
    power_factor: Array
    waveform: NDArray[np.object_]

    @property
    def shaped(self) -> Flags:
        """Where the current is no sine (n,)."""
        return np.array([not w.sinusoidal for w in self.waveform], dtype=bool)


@dataclass(frozen=True)
class Observations:
    """`values` (n,) at `settings` with their `covariance`; `shared` is the part of it that a repetition would share.

    A ratio, power or transformer error is a fraction. A zero is the indicated current over the smallest one the range claims, a threshold the
    current found over the one described, less one.
    """

    settings: Settings
    values: Array
    covariance: SharedCovariance
    shared: SharedCovariance


def tangent(power_factor: float) -> float:
    """Tangent of the load's angle, positive when the current lags; `power_factor` negative when leading."""
    size = math.tan(math.acos(min(1.0, abs(power_factor))))
    return -size if power_factor < 0 else size


def settings(device: Device, each: Sequence[Setting]) -> Settings:
    """All in arrays."""
    index = {r.name: i for i, r in enumerate(device.ranges)}
    return Settings(
        kind=np.array([at.kind for at in each], dtype=np.int64),
        rng=np.array([index[at.range] for at in each], dtype=np.int64),
        current=np.array([at.current for at in each], dtype=float),
        tangent=np.array([tangent(at.power_factor) for at in each], dtype=float),
        power_factor=np.array([abs(at.power_factor) for at in each], dtype=float),
        waveform=np.array([at.waveform for at in each], dtype=object),
    )


def told_by_waveform(points: Sequence[PointValues]) -> Sequence[PointValues]:
    """The points whose waveform is known, where any has one that is no sine; else all, each taken as a sine."""
    if not any(p.waveform is not None and not p.waveform.sinusoidal for p in points):
        return points
    return [p for p in points if p.waveform is not None or p.ratio_error is None]


def observations(device: Device, points: Sequence[PointValues], beside: FurtherEvidence) -> Observations | None:
    """Everything read with current, in one vector; None when there is nothing."""
    smallest = {r.name: r.minimum_current for r in device.ranges}
    readable = {r.name: device.display.smallest_readable_current * r.display_factor for r in device.ranges}
    # Each with its value and the standard uncertainty it does not share.
    read: list[tuple[Setting, Any, float]] = []
    for p in told_by_waveform(points):
        name, indicated = p.observed.range, float(p.indicated.nominal_value)
        if p.ratio_error is not None:
            reference = float(p.reference.nominal_value)
            # A display that shows nothing hides anything below the smallest current it shows.
            hidden = rectangular(readable[name] / reference) if indicated == 0 else 0.0
            error = p.ratio_error + (ufloat(0.0, hidden) if hidden else 0.0)
            own = math.hypot(p.random_reference, p.random_indicated) / reference + hidden
            read.append((Setting(RATIO, name, reference, waveform=p.waveform or SINE), error, own))
        elif indicated != 0:
            # A display that shows nothing at no current says little; one that shows something says it in every reading.
            least = smallest[name]
            read.append((Setting(ZERO, name, least), p.indicated / least, p.random_indicated / least))
    if RATIO not in {at.kind for at, _, _ in read} and not beside.powers and not beside.thresholds:
        return None
    read += [(at, error, 0.0) for at, error in beside.powers]
    for name, threshold in beside.thresholds.items():
        current = float(threshold.nominal_value)
        # Where it shows something at no current there is no threshold, and the zero says what there is.
        if current > 0:
            read.append((Setting(THRESHOLD, name, current), threshold / readable[name] - 1, 0.0))
    for through in beside.secondaries:
        reference = float(through.point.reference.nominal_value)
        at = Setting(SECONDARY, through.point.observed.range, reference, waveform=through.point.waveform or SINE)
        read.append((at, through.transformer_error, through.point.random_reference / reference))
    places, values, own_parts = zip(*read, strict=True)
    spread = shared_covariance(values)
    shared = spread.beside(-np.minimum(np.square(own_parts), spread.variances))
    return Observations(settings(device, places), np.array([float(v.nominal_value) for v in values]), spread, shared)
