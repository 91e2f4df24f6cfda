"""A load on the shelf of a bench without interfaces: what it draws, for how long, and of which waveform."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from harness.core.plausible_quantities import Current, JouleIntegral, Plausible, PulseDuration, TimeOnLimit
from harness.files.device import Table
from instruments.waveform_names import Waveform, parse_waveform

LONGEST_ON_UNSTATED = 180.0
"""Seconds a load on the shelf may be on at a time where its `longest_on` is not given: long enough for a point, and for a kettle."""

OTHER = "other"
"""The waveform of a load whose current is no sine, and of no shape that has a name here."""

UNKNOWN_CREST_FACTOR = 6.0
"""What the crest factor of a load counts as where it is not known: that of half-sine pulses of 10 degrees. Small rectifiers with a capacitor have 3 to 5
(common practice, no published source); a judgement."""

LEAST_PART_OF_PULSE = 1 / 3
"""Least I2t of a pulse as a part of peak^2 times duration: that of a triangle (elementary). That none has less is a judgement."""

PEAK_AS_WRITTEN = 1.05
"""An in-rush may be written this much below the peak that flows all the time: both are rounded figures. A judgement."""

_PEAK = Plausible("A", 1e-6, 1e5, "1 uA to 100 kA")


class ShelfEntry(Table):
    """One load on the shelf of a bench without interfaces."""

    name: str = Field(min_length=1)
    """What you call it."""
    current: Current
    """Current it draws, roughly: its effective value."""
    longest_on: TimeOnLimit = LONGEST_ON_UNSTATED
    """Longest time its maker allows it to be on."""
    power_factor: float = Field(default=1.0, ge=-1, le=1)
    """Power factor, negative where the current leads."""
    power_factor_uncertainty: float = Field(default=0.0, ge=0, le=0.2)
    """Expanded uncertainty (k = 2) of the power factor. With it, power can be computed from voltage and current."""
    waveform: str | None = None
    """`sine` where its current is one, so that its power factor gives an angle; another shape by its [name](../how-to/waveforms.md),
    or `other`. Leave it out where you do not know.
    """
    crest_factor: float | Literal["unknown"] | None = None
    """Peak over effective value of its current, where you know it. What is not known counts as 6: less of it may flow."""
    inrush: float | Literal["unknown"] | None = None
    """In-rush current: its largest peak while it is switched on, such as `"20 A"`, or `unknown`."""
    inrush_duration: PulseDuration | None = None
    """How long the in-rush lasts."""
    inrush_i2t: JouleIntegral | None = None
    """Its I2t, where the data sheet states it; else the peak counts for the whole duration."""

    @model_validator(mode="before")
    @classmethod
    def _sinusoidal_before(cls, found: Any) -> Any:
        """Files once said `sinusoidal`: true is `sine`, false is `other`."""
        if not isinstance(found, dict) or "sinusoidal" not in found:
            return found
        if "waveform" in found:
            raise ValueError("found sinusoidal and waveform, expected waveform alone")
        said = {True: "sine", False: OTHER, None: None}
        sinusoidal = found["sinusoidal"]
        if sinusoidal not in said:
            raise ValueError(f"found sinusoidal = {sinusoidal!r}, expected true or false (now: waveform)")
        return {key: value for key, value in found.items() if key != "sinusoidal"} | {"waveform": said[sinusoidal]}

    @field_validator("waveform")
    @classmethod
    def _known_waveform(cls, found: str | None) -> str | None:
        if found is None or found == OTHER:
            return found
        try:
            return parse_waveform(found).text
        except ValueError as problem:
            raise ValueError(f"{problem}, or {OTHER}") from None

    @field_validator("crest_factor")
    @classmethod
    def _possible_crest_factor(cls, found: float | Literal["unknown"] | None) -> float | Literal["unknown"] | None:
        if isinstance(found, float) and not 1.0 <= found <= 100.0:
            raise ValueError(
                f"found a crest_factor of {found:g}, expected 1 to 100: a peak is no less than the effective value"
            )
        return found

    @field_validator("inrush", mode="before")
    @classmethod
    def _peak_or_unknown(cls, found: object) -> float | Literal["unknown"] | None:
        return found if found in (None, "unknown") else _PEAK(found)

    @model_validator(mode="after")
    def _consistent(self) -> ShelfEntry:
        if abs(self.power_factor) < 0.1:
            raise ValueError(
                f"found power_factor {self.power_factor:g}, expected 0.1 to 1, or -1 to -0.1 for a leading current"
            )
        if (
            self.sinusoidal
            and isinstance(self.crest_factor, float)
            and abs(self.crest_factor / math.sqrt(2) - 1) > 0.05
        ):
            raise ValueError(
                f"found a sine with a crest_factor of {self.crest_factor:g}, which is 1.414 of every sine; expected another waveform"
            )
        if self.inrush_peak is None and (self.inrush_duration or self.inrush_i2t):
            raise ValueError("found inrush_duration or inrush_i2t without its peak, expected inrush too")
        for contradiction in self._inrush_contradictions():
            raise ValueError(contradiction)
        return self

    def _inrush_contradictions(self) -> Iterator[str]:
        """What of the in-rush cannot be: a peak below the one that flows all the time, or an I2t below that of any pulse of its peak and duration."""
        peak, lasts, stated = self.inrush_peak, self.inrush_duration, self.inrush_i2t
        if peak is None:
            return
        factor = max(self._known_crest_factors(), default=1.0)
        if peak * PEAK_AS_WRITTEN < self.current * factor:
            yield (
                f"found an inrush of {peak:g} A below its peak while it is on, {self.current * factor:.3g} A (current times a crest factor of "
                f"{factor:.3g}), expected its largest peak"
            )
        if lasts is not None and stated is not None and stated < (least := LEAST_PART_OF_PULSE * peak**2 * lasts):
            yield (
                f"found an inrush_i2t of {stated:g} A^2 s, below that of a triangle of {peak:g} A for {lasts:g} s, {least:.3g} A^2 s: "
                "no pulse of that peak and duration is taken to have less"
            )

    @property
    def shape(self) -> Waveform | None:
        """The waveform, where it is known by name."""
        return None if self.waveform in (None, OTHER) else parse_waveform(self.waveform or "")

    @property
    def sinusoidal(self) -> bool | None:
        """Whether its current is a sine; None where nothing is stated."""
        return None if self.waveform is None else self.waveform == "sine"

    @property
    def inrush_peak(self) -> float | None:
        """Largest peak in amperes while it is switched on; None where it is not known."""
        return self.inrush if isinstance(self.inrush, float) else None

    @property
    def largest_i2t(self) -> float | None:
        """I2t of its in-rush in A^2 s: the one stated, or that of its peak for all of its duration, which is no less; None where neither is known."""
        if self.inrush_i2t is None and self.inrush_peak is not None and self.inrush_duration is not None:
            return self.inrush_peak**2 * self.inrush_duration
        return self.inrush_i2t

    @property
    def largest_crest_factor(self) -> float:
        """The crest factor its current counts with: the one stated, or that of its shape where that is larger; else that of the unknown."""
        return max(self._known_crest_factors(), default=UNKNOWN_CREST_FACTOR)

    def _known_crest_factors(self) -> Iterator[float]:
        if isinstance(self.crest_factor, float):
            yield self.crest_factor
        if (shape := self.shape) is not None:
            # A shape is asked for seldom, and its samples load slowly.
            from instruments.waveforms import crest_factor_of, unit_samples

            yield crest_factor_of(unit_samples(shape))
