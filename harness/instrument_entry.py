"""An instrument of the bench file: how it is reached, its calibration, how well it reads, what it can do."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from harness.calibrated import check_rising
from harness.device import Table
from harness.quantities import (
    Angle,
    CelsiusTemperature,
    Current,
    Duration,
    FractionPerKelvin,
    FractionPerYear,
    Frequency,
    PlainName,
    Power,
    RelativeError,
    Resistance,
    SignedRelativeError,
    TimeOn,
    Voltage,
    has_unit,
    parse_quantity,
)


class InOwnUnit(Table):
    """What is stated in the unit an instrument reads in: amperes, or volts where it stands across a shunt or a clamp."""

    unit: Literal["A", "V"] = "A"

    @model_validator(mode="before")
    @classmethod
    def _unit_of_what_it_reads(cls, found: Any) -> Any:
        if not isinstance(found, dict):
            return found
        if "unit" in found:
            raise ValueError("found unit, unknown key (it is the unit of the values)")
        in_volts = any(has_unit(found[key], "V") for key in ("full_scale", "reading") if key in found)
        return {"unit": "V" if in_volts else "A", **found}

    @field_validator("full_scale", "reading", "resolution", mode="before", check_fields=False)
    @classmethod
    def _read_in_it(cls, found: Any, info: ValidationInfo) -> float:
        value = parse_quantity(found, info.data.get("unit", "A"))
        if value <= 0:
            raise ValueError(f"found {found!r}, expected a value above zero")
        return value


class Correction(InOwnUnit):
    """What the instrument's certificate says of one range at one reading.

    `error` is (reading - true) / true, with the sign it has on a certificate that states errors; a certificate that states
    corrections has the opposite one. `uncertainty` is expanded (k = 2), relative. `frequency` is that of the calibration.
    """

    reading: float
    frequency: Frequency
    error: SignedRelativeError
    uncertainty: RelativeError


class Accuracy(InOwnUnit):
    """One range of a reference instrument and its claimed accuracy there (bounds, taken as rectangular).

    `full_scale` and `resolution` in the instrument's own amperes or volts, before the factor of the reference path.
    `corrections`, in rising readings, take the place of the claim between the first of them and the last. `burden` is what
    the range puts on a transformer's secondary, in ohms.
    """

    full_scale: float
    of_reading: RelativeError
    of_range: RelativeError = 0.0
    resolution: float
    burden: Resistance | None = None
    corrections: tuple[Correction, ...] = ()

    @model_validator(mode="after")
    def _corrections_of_this_range(self) -> Accuracy:
        if any(c.unit != self.unit for c in self.corrections):
            raise ValueError(f"found corrections in another unit than full_scale, expected them in {self.unit}")
        if any(c.reading > self.full_scale for c in self.corrections):
            raise ValueError("found a correction above full_scale, expected readings of this range")
        check_rising([(c.frequency, c.reading) for c in self.corrections], "corrections", "reading")
        return self


class VoltageAccuracy(Table):
    """Claimed accuracy of a voltage reading (bound, taken as rectangular); `resolution` in volts."""

    of_reading: RelativeError
    resolution: Voltage


class FrequencyAccuracy(Table):
    """Claimed accuracy of a reading of frequency (bound); with it the frequency is read beside every current."""

    of_reading: RelativeError


class PowerAccuracy(Table):
    """Claimed accuracy of a reading of active power (bounds, taken as rectangular).

    `phase` is the bound of the angle between the instrument's own voltage and current channels: what it does to the
    power grows with the tangent of the load's angle. `resolution` in watts, before the factor of the reference path.
    """

    of_reading: RelativeError
    phase: Angle = 0.0
    resolution: Power


class Calibration(Table):
    """The certificate an instrument stands on."""

    certificate: str
    date: dt.date
    due: dt.date
    laboratory: str = ""

    @model_validator(mode="after")
    def _order(self) -> Calibration:
        if self.due <= self.date:
            raise ValueError(f"found due {self.due} not after date {self.date}, expected a later day")
        return self


LONGEST_ON_UNSTATED = 180.0
"""Seconds a load on the shelf may be on at a time where its `longest_on` is not given: long enough for a point, and for a kettle."""


class ShelfEntry(Table):
    """One load on the shelf: what it is called, the current it draws, roughly, and its power factor (negative: leading).

    A `power_factor_uncertainty` (expanded, k = 2) makes it a load of known power factor, which a power can be computed from.
    `sinusoidal`: whether its current is a sine, so that its power factor tells an angle; None is not known.
    """

    name: str = Field(min_length=1)
    current: Current
    longest_on: TimeOn = LONGEST_ON_UNSTATED
    power_factor: float = Field(default=1.0, ge=-1, le=1)
    power_factor_uncertainty: float = Field(default=0.0, ge=0, le=0.2)
    sinusoidal: bool | None = None

    @model_validator(mode="after")
    def _some_power(self) -> ShelfEntry:
        if abs(self.power_factor) < 0.1:
            raise ValueError(
                f"found power_factor {self.power_factor:g}, expected 0.1 to 1, or -1 to -0.1 for a leading current"
            )
        return self


class InstrumentEntry(Table):
    """One instrument on the bench. `profile` is the name of a profile file, or `person`.

    `shelf` lists what a person who plays the load can plug in. `voltage` and `power` say how well it reads those;
    `power_factor_uncertainty` (expanded, k = 2) how well a load that can be set to a power factor keeps it; `burden`
    what a meter in the secondary adds to the loop.
    """

    profile: PlainName
    address: str = ""
    serial: str = ""
    timeout: Duration = 3.0
    unit_id: int = Field(default=1, ge=0, le=247)
    read_termination: str | None = Field(default=None, min_length=1)
    write_termination: str | None = None
    baud_rate: int = Field(default=19200, ge=50, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"
    lock: bool = False
    calibration: Calibration | None = None
    ranges: tuple[Accuracy, ...] = ()
    voltage: VoltageAccuracy | None = None
    frequency: FrequencyAccuracy | None = None
    power: PowerAccuracy | None = None
    power_factor_uncertainty: float | None = Field(default=None, ge=0, le=0.2)
    burden: Resistance | None = None
    drift_per_year: FractionPerYear = 0.0
    temperature_coefficient: FractionPerKelvin = 0.0
    calibration_temperature: CelsiusTemperature = 23.0
    positions: dict[str, str] = Field(default_factory=dict)
    minimum_current: Current | None = None
    maximum_current: Current | None = None
    shelf: tuple[ShelfEntry, ...] = ()

    @property
    def by_person(self) -> bool:
        """Whether a person reads or moves this instrument."""
        return self.profile == "person"

    @model_validator(mode="after")
    def _reachable(self) -> InstrumentEntry:
        if not self.by_person and not self.address:
            raise ValueError('found no address, expected one (or profile = "person")')
        if self.frequency is not None and self.by_person:
            raise ValueError("found frequency of an instrument read by a person, expected it of one on a link")
        if self.shelf and not self.by_person:
            raise ValueError('found a shelf, expected one only with profile = "person"')
        currents = [load.current for load in self.shelf]
        if len(set(currents)) != len(currents):
            raise ValueError(f"found shelf currents {currents}, expected every current once")
        if self.drift_per_year == 0 and any(r.corrections for r in self.ranges):
            raise ValueError(
                "found corrections without drift_per_year, expected how much the instrument may have moved since its calibration"
            )
        if len({r.unit for r in self.ranges}) > 1:
            raise ValueError("found ranges in amperes and in volts, expected one of them")
        scales = [r.full_scale for r in self.ranges]
        if scales != sorted(set(scales)):
            raise ValueError(f"found full scales {scales}, expected them rising")
        return self
