"""From the pairs of a point to its ratio error, with a budget whose inputs are shared where they really are.

The model of a point, with r the mean of the reference readings, D that of the displayed values:

    I = F (1 + f) (r (1 + gain_s + drift + temperature) + offset_s + resolution_r)       reference current
    X = D g + resolution_D + repeatability + pairing                                     indicated current
    e = X / I - 1                                                                        ratio error (IEC 61869-2)

F is the factor of the reference path, g the display factor, s the reference's range. `gain_s` and `offset_s` are one
input per range of the reference and `drift`, `temperature` and `f` one input for all: they cancel in what is compared
on the same range, and stay in what is not. Every input of the model has the value zero and an uncertainty.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from uncertainties import ufloat

from harness.bench import Accuracy, Bench
from harness.device import Device, Range
from harness.evaluation.observed import ObservedPoint
from harness.evaluation.uncertainty import Contribution, Distribution, rectangular, type_a
from harness.results import BudgetLine

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Source:
    """What is known of one input beside its uncertainty."""

    name: str
    distribution: Distribution
    degrees_of_freedom: float
    shared: bool


@dataclass
class Inputs:
    """All inputs of one evaluation: shared ones made once, each with its source."""

    bench: Bench
    run_date: dt.date
    sources: dict[Any, Source] = field(default_factory=dict)
    _shared: dict[str, Any] = field(default_factory=dict)

    def own(self, name: str, uncertainty: float, distribution: Distribution, freedom: float = math.inf) -> Any:
        """A new input belonging to one point; plain 0 when it has no uncertainty."""
        return self._make(name, uncertainty, distribution, freedom, shared=False)

    def shared(self, name: str, uncertainty: float, distribution: Distribution) -> Any:
        """The one input of this name, made when it is first asked for."""
        if name not in self._shared:
            self._shared[name] = self._make(name, uncertainty, distribution, math.inf, shared=True)
        return self._shared[name]

    def _make(self, name: str, uncertainty: float, distribution: Distribution, freedom: float, *, shared: bool) -> Any:
        if uncertainty == 0:
            return 0.0
        variable = ufloat(0.0, uncertainty, tag=name)
        self.sources[variable] = Source(name, distribution, freedom, shared)
        return variable

    def contributions(self, value: Any) -> list[tuple[Source, Contribution]]:
        """What each input contributes to the standard uncertainty of `value`, largest first."""
        parts = value.error_components() if hasattr(value, "error_components") else {}
        found = [
            (self.sources[v], Contribution(u, self.sources[v].distribution, self.sources[v].degrees_of_freedom))
            for v, u in parts.items()
            if u > 0
        ]
        return sorted(found, key=lambda pair: -pair[1].standard_uncertainty)

    def budget(self, value: Any) -> tuple[BudgetLine, ...]:
        """The contributions as lines of a budget."""
        return tuple(
            BudgetLine(
                source=source.name,
                distribution=part.distribution,
                standard_uncertainty=part.standard_uncertainty,
                degrees_of_freedom=part.degrees_of_freedom if math.isfinite(part.degrees_of_freedom) else None,
                shared=source.shared,
            )
            for source, part in self.contributions(value)
        )


@dataclass(frozen=True)
class PointValues:
    """A point with its uncertain quantities, in amperes; `ratio_error` is None for a zero point.

    `random_indicated` and `random_reference` are the standard uncertainties of what no other point shares.
    """

    observed: ObservedPoint
    reference: Any
    indicated: Any
    ratio_error: Any | None
    random_reference: float
    random_indicated: float


def point_values(device: Device, inputs: Inputs, observed: ObservedPoint) -> PointValues:
    """The quantities of one point. Raises ValueError for a point without pairs or without reference current."""
    if not observed.pairs:
        raise ValueError(f"point {observed.name} has no pairs")
    rng = device.range_named(observed.range)
    if observed.direction == "zero":
        return _zero_values(device, rng, inputs, observed)
    reference, resolution = _reference(inputs, observed)
    if float(reference.nominal_value) <= 0:
        raise ValueError(f"point {observed.name} has no reference current")
    repeatability, freedom = _repeatability(observed, rng.display_factor, inputs.bench.reference_path.factor)
    step = rectangular(device.display.resolution / 2) * rng.display_factor
    skew = _pairing(observed) * inputs.bench.reference_path.factor
    indicated = (
        _mean_displayed(observed) * rng.display_factor
        + inputs.own("resolution of the display", step, "rectangular")
        + inputs.own("repeatability", repeatability, "normal", freedom)
        + inputs.own("pairing in time", skew, "rectangular")
    )
    return PointValues(
        observed,
        reference,
        indicated,
        indicated / reference - 1,
        resolution,
        math.sqrt(step**2 + repeatability**2 + skew**2),
    )


def _reference(inputs: Inputs, observed: ObservedPoint) -> tuple[Any, float]:
    """The reference current and the standard uncertainty of its resolution, in amperes."""
    bench = inputs.bench
    entry, path, scale = bench.entry("reference"), bench.reference_path, _accuracy(bench, observed.reference_scale)
    of = f"reference, {scale.full_scale:g} range"
    gain = inputs.shared(f"{of}: gain", rectangular(scale.of_reading), "rectangular")
    offset = inputs.shared(f"{of}: offset", rectangular(scale.of_range * scale.full_scale), "rectangular")
    years = max(0.0, (inputs.run_date - entry.calibration.date).days / DAYS_PER_YEAR) if entry.calibration else 0.0
    drift = inputs.shared(
        "reference: drift since calibration", rectangular(entry.drift_per_year * years), "rectangular"
    )
    away = abs(bench.environment.temperature - entry.calibration_temperature)
    warmth = inputs.shared("reference: temperature", rectangular(entry.temperature_coefficient * away), "rectangular")
    factor = inputs.shared("reference path: factor", path.uncertainty / 2, "normal")
    resolution = rectangular(scale.resolution / 2)
    reading = sum(p.reference for p in observed.pairs) / len(observed.pairs)
    value = (
        reading * (1 + gain + drift + warmth)
        + offset
        + inputs.own("resolution of the reference", resolution, "rectangular")
    )
    return path.factor * (1 + factor) * value, resolution * path.factor


def _zero_values(device: Device, rng: Range, inputs: Inputs, observed: ObservedPoint) -> PointValues:
    """A zero point: what is indicated with no current, and what a display that shows nothing may be hiding."""
    mean = _mean_displayed(observed)
    count = len(observed.pairs)
    scatter = type_a([p.displayed for p in observed.pairs]).standard_uncertainty if count > 1 else 0.0
    hidden = device.display.smallest_readable_current if mean == 0 else 0.0
    indicated = (
        mean * rng.display_factor
        + inputs.own(
            "resolution of the display", rectangular(device.display.resolution / 2) * rng.display_factor, "rectangular"
        )
        + inputs.own("below what the display shows", rectangular(hidden) * rng.display_factor, "rectangular")
        + inputs.own("repeatability", scatter * rng.display_factor, "normal", count - 1)
    )
    return PointValues(observed, 0.0, indicated, None, 0.0, float(indicated.std_dev))


def _repeatability(observed: ObservedPoint, display_factor: float, path_factor: float) -> tuple[float, float]:
    """Standard uncertainty of the mean from the pairs' own scatter, amperes, and its degrees of freedom.

    The residuals d_j = X_j - R I_j about the ratio of means R leave out what reference and device saw alike (the
    load's wander). One pair has no scatter: then only the resolutions speak, as on any single reading.
    """
    if len(observed.pairs) < 2:
        return 0.0, math.inf
    indicated = [p.displayed * display_factor for p in observed.pairs]
    reference = [p.reference * path_factor for p in observed.pairs]
    ratio = sum(indicated) / sum(reference)
    scatter = type_a([x - ratio * i for x, i in zip(indicated, reference, strict=True)])
    return scatter.standard_uncertainty, scatter.degrees_of_freedom


def _pairing(observed: ObservedPoint) -> float:
    """Standard uncertainty from the two readings of a pair not being at the same instant, in the reference's unit.

    The fastest change between successive reference readings times the mean distance of the readings' middles is
    taken as a bound; over n pairs, whose directions of change are independent, it shrinks with the root of n.
    """
    pairs = observed.pairs
    if len(pairs) < 2:
        return 0.0
    rates = [
        abs(b.reference - a.reference) / max(1e-6, _middle(b.reference_times) - _middle(a.reference_times))
        for a, b in itertools.pairwise(pairs)
    ]
    skew = sum(abs(_middle(p.reference_times) - _middle(p.displayed_times)) for p in pairs) / len(pairs)
    return rectangular(max(rates) * skew) / math.sqrt(len(pairs))


def _accuracy(bench: Bench, full_scale: float) -> Accuracy:
    for accuracy in bench.entry("reference").ranges:
        if math.isclose(accuracy.full_scale, full_scale):
            return accuracy
    raise ValueError(f"the reference has no range of {full_scale:g}, so the point's uncertainty is unknown")


def _mean_displayed(observed: ObservedPoint) -> float:
    return sum(p.displayed for p in observed.pairs) / len(observed.pairs)


def _middle(times: Sequence[float]) -> float:
    return (times[0] + times[1]) / 2
