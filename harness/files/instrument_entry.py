"""An instrument of the bench file: how it is reached, its calibration, how well it reads, what it can do."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from harness.core.interpolation import check_rising
from harness.core.plausible_quantities import (
    Angle,
    Bandwidth,
    CelsiusTemperature,
    Current,
    Duration,
    FractionPerKelvin,
    FractionPerYear,
    Frequency,
    Power,
    RelativeError,
    Resistance,
    SignedRelativeError,
    TimeOnLimit,
    Voltage,
)
from harness.core.quantities import has_unit, parse_quantity
from harness.files.device import Table
from harness.files.plain_name import PlainName
from harness.files.shelf_entry import ShelfEntry


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
    """What the instrument's certificate states for one range at one reading."""

    reading: float
    """Reading of the instrument, in amperes or volts."""
    frequency: Frequency
    """Frequency of the calibration."""
    error: SignedRelativeError
    """(reading - true) / true. A certificate that states corrections has the opposite sign."""
    uncertainty: RelativeError
    """Expanded uncertainty (k = 2), relative."""


class Accuracy(InOwnUnit):
    """One range of a reference instrument and its claimed accuracy (bounds, taken as rectangular).

    In the instrument's own amperes or volts, before the factor of the reference path.
    """

    full_scale: float
    """Largest reading of this range."""
    of_reading: RelativeError
    """Claimed accuracy, as a part of the reading."""
    of_range: RelativeError = 0.0
    """Added to it, as a part of the full scale."""
    resolution: float
    """One step of the reading."""
    burden: Resistance | None = None
    """Resistance that this range puts on a transformer's secondary."""
    longest_on: TimeOnLimit | None = None
    """How long this range may carry current at a time, where a person reads it or plugs in the load; left out: no limit is known."""
    response: Literal["true rms", "average"] | None = None
    """What it responds to: the effective value, or the rectified mean, which is right for a sine alone."""
    bandwidth: Bandwidth | None = None
    """Where its response has fallen by 3 dB. What it loses of a current that is no sine goes into the uncertainty."""
    crest_factor: float | None = Field(default=None, ge=1, le=100)
    """Largest crest factor at full scale. At half of it twice as much is followed."""
    coupling: Literal["AC", "AC+DC"] | None = None
    """Whether a direct part of the current is read too."""
    corrections: tuple[Correction, ...] = ()
    """From its certificate, in rising readings. They replace the claim between the first and the last; `drift_per_year` must then be given."""

    @model_validator(mode="after")
    def _corrections_of_this_range(self) -> Accuracy:
        if any(c.unit != self.unit for c in self.corrections):
            raise ValueError(f"found corrections in another unit than full_scale, expected them in {self.unit}")
        if any(c.reading > self.full_scale for c in self.corrections):
            raise ValueError("found a correction above full_scale, expected readings of this range")
        check_rising([(c.frequency, c.reading) for c in self.corrections], "corrections", "reading")
        return self


class VoltageAccuracy(Table):
    """Claimed accuracy of a voltage reading (bound, taken as rectangular)."""

    of_reading: RelativeError
    """As a part of the reading."""
    resolution: Voltage
    """One step of the reading."""


class FrequencyAccuracy(Table):
    """Claimed accuracy of a frequency reading (bound). With it, frequency is read beside every current."""

    of_reading: RelativeError
    """As a part of the reading."""


class PowerAccuracy(Table):
    """Claimed accuracy of a reading of active power (bounds, taken as rectangular)."""

    of_reading: RelativeError
    """As a part of the reading."""
    phase: Angle = 0.0
    """Bound of the angle between the instrument's own voltage and current channels; its effect grows with the tangent of the load's angle."""
    resolution: Power
    """One step of the reading, before the factor of the reference path."""


class Calibration(Table):
    """The certificate on which an instrument relies."""

    certificate: str
    """Its number."""
    date: dt.date
    """Date of calibration."""
    due: dt.date
    """Date on which the next calibration is due."""
    laboratory: str = ""
    """Who calibrated it."""

    @model_validator(mode="after")
    def _order(self) -> Calibration:
        if self.due <= self.date:
            raise ValueError(f"found due {self.due} not after date {self.date}, expected a later day")
        return self


class InstrumentEntry(Table):
    """One instrument of the bench, as `[instruments.NAME]`."""

    profile: PlainName
    """Name of a profile, or `person` for what a person reads or moves."""
    address: str = ""
    """VISA address, `modbus-rtu:PORT` or `modbus-tcp://HOST:PORT`."""
    serial: str = ""
    """Serial number, compared with what the instrument answers."""
    timeout: Duration = 3.0
    """Longest wait for a reply."""
    unit_id: int = Field(default=1, ge=0, le=247)
    """Modbus unit identifier."""
    read_termination: str | None = Field(default=None, min_length=1)
    """What ends a reply, in place of that of the profile."""
    write_termination: str | None = None
    """What ends a message, in place of that of the profile."""
    baud_rate: int = Field(default=19200, ge=50, le=4_000_000)
    """Serial line: symbols per second."""
    data_bits: Literal[7, 8] = 8
    """Serial line: data bits."""
    parity: Literal["none", "even", "odd"] = "none"
    """Serial line: parity."""
    stop_bits: Literal[1, 2] = 1
    """Serial line: stop bits."""
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"
    """Serial line: flow control."""
    lock: bool = False
    """Keep other computers and programs out by the lock of HiSLIP, VXI-11, the serial line or the VISA library."""
    calibration: Calibration | None = None
    """The certificate it relies on."""
    ranges: tuple[Accuracy, ...] = ()
    """Current (or voltage) ranges of a reference, in rising full scale."""
    voltage: VoltageAccuracy | None = None
    """How well it reads voltage."""
    frequency: FrequencyAccuracy | None = None
    """How well it reads frequency."""
    power: PowerAccuracy | None = None
    """How well it reads active power."""
    power_factor_uncertainty: float | None = Field(default=None, ge=0, le=0.2)
    """Load: expanded uncertainty (k = 2) of the power factor it is set to."""
    burden: Resistance | None = None
    """Multimeter in the secondary: what it adds to the loop, fuse and leads included."""
    drift_per_year: FractionPerYear = 0.0
    """Largest drift in a year (bound)."""
    temperature_coefficient: FractionPerKelvin = 0.0
    """Change of reading with temperature (bound)."""
    calibration_temperature: CelsiusTemperature = 23.0
    """Temperature at which it was calibrated."""
    positions: dict[str, str] = Field(default_factory=dict)
    """Relay: its own name for the position of each range, such as `{ x1 = "101" }`."""
    distortion: RelativeError | None = None
    """Load: largest total harmonic distortion of its current, as its data sheet states it."""
    minimum_current: Current | None = None
    """Load: smallest current it can drive."""
    maximum_current: Current | None = None
    """Load: largest current it may drive."""
    shelf: tuple[ShelfEntry, ...] = ()
    """Load played by a person: what can be plugged in."""

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
        if self.distortion is not None and self.by_person:
            raise ValueError("found distortion of loads on a shelf, expected `waveform` of each where you know")
        if self.shelf and not self.by_person:
            raise ValueError('found a shelf, expected one only with profile = "person"')
        currents = [load.current for load in self.shelf]
        if len(set(currents)) != len(currents):
            raise ValueError(f"found shelf currents {currents}, expected every current once")
        if self.drift_per_year == 0 and any(r.corrections for r in self.ranges):
            raise ValueError(
                "found corrections without drift_per_year, expected the bound of its drift since calibration"
            )
        if len({r.unit for r in self.ranges}) > 1:
            raise ValueError("found ranges in amperes and in volts, expected one of them")
        scales = [r.full_scale for r in self.ranges]
        if scales != sorted(set(scales)):
            raise ValueError(f"found full scales {scales}, expected them rising")
        return self
