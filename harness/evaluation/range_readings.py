"""The readings of a run sorted by its ranges, each range compared with the base range (the first) where that may be."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.claims.limits_of_error import limit_of_error
from harness.evaluation.power.power_errors import PowerValues
from harness.evaluation.ratio.effective_turns import BASE_WRONG, Multiplier, compare_with_base, reading_factor
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Device, Range
from harness.record.observations import ObservedPoint, ObservedRange


@dataclass(frozen=True)
class RangeReadings:
    """Readings of a run on one range; `dead` names the points at which the reference read no current.

    `known`: its maximum test current and what was left out. `asked`: the run was to take ratio errors, so that a range without any has not been
    shown. `compared`: with the base range. `waveforms_asked`: the run was to compare waveforms.
    """

    rng: Range
    values: tuple[PointValues, ...]
    powers: tuple[PowerValues, ...]
    dead: tuple[str, ...]
    known: ObservedRange | None
    asked: bool
    compared: Multiplier | None = None
    waveforms_asked: bool = False

    @property
    def points(self) -> tuple[PointValues, ...]:
        """Points with current whose ratio error is claimed: not those of a search, nor of another waveform."""
        read = (v for v in self.values if v.ratio_error is not None)
        return tuple(v for v in read if v.observed.direction not in ("search", "waveform"))

    @property
    def other_waveforms(self) -> tuple[PointValues, ...]:
        return tuple(v for v in self.values if v.observed.direction == "waveform")

    @property
    def zeros(self) -> tuple[PointValues, ...]:
        return tuple(v for v in self.values if v.ratio_error is None)

    @property
    def factor(self) -> Any | None:
        """Reading factor, uncertain; None without points."""
        return reading_factor(self.points)

    def allowed(self, device: Device) -> float:
        """Limit of error, a fraction, at the largest current of its points."""
        low, high = self.rng.minimum_current, self.rng.maximum_current
        within = (min(max(float(v.reference.nominal_value), low), high) for v in self.points)
        return min((limit_of_error(device, self.rng, current) for current in within), default=0.0)


def has_current(point: ObservedPoint) -> bool:
    """Whether the reference read a current, or none was to flow."""
    return point.direction == "zero" or sum(p.reference for p in point.pairs) > 0


def readings_by_range(
    device: Device,
    inputs: InputQuantities,
    points: Sequence[ObservedPoint],
    ranges: Sequence[ObservedRange],
    values: Sequence[PointValues],
    powers: Sequence[PowerValues],
) -> list[RangeReadings]:
    """`points` of a run with their `values` and `powers`, and what is known of its `ranges`, for every range of the device."""
    # A run for the zero, the smallest current or the bench itself says nothing about ratio errors, and is not asked to.
    asked = any(p.direction not in ("zero", "search", "check") for p in points) or any(r.skipped for r in ranges)
    waveforms = any(p.direction == "waveform" for p in points) or any(r.skipped_waveforms for r in ranges)
    known = {r.name: r for r in ranges}
    base, *others = (
        RangeReadings(
            rng=rng,
            values=tuple(v for v in values if v.observed.range == rng.name),
            powers=tuple(p for p in powers if p.observed.range == rng.name),
            dead=tuple(p.name for p in points if p.range == rng.name and not has_current(p)),
            known=known.get(rng.name),
            asked=asked,
            waveforms_asked=waveforms,
        )
        for rng in device.ranges
    )
    if base.factor is None or abs(base.factor.nominal_value - 1) > BASE_WRONG:
        return [base, *others]
    reference = base.rng, base.points
    compared = [compare_with_base(inputs, (r.rng, r.points), reference, r.allowed(device)) for r in others]
    return [base, *(replace(r, compared=found) for r, found in zip(others, compared, strict=True))]
