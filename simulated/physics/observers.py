"""Instruments that read the circuit: each measures its part of it, with errors inside its claimed accuracy."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from instruments.waveform_names import Waveform
from instruments.waveforms import unit_samples
from simulated.description import (
    BenchDescription,
    InstrumentDescription,
    PowerDescription,
    ScaleDescription,
    VoltageDescription,
)
from simulated.physics.assembly import reference_reads
from simulated.physics.circuit import Seen
from simulated.physics.input_stage import InputStage
from simulated.physics.multimeter import OVERLOAD, Multimeter
from simulated.physics.true_path import path_as_it_is

NOISE = 2e-5
"""Relative standard deviation of one reading of voltage or power."""
SURELY_LEADING = math.radians(1.0)
"""Angle in rad below which an instrument does not call a current leading: the sign would only flicker."""
TYPICAL_VOLTAGE = VoltageDescription(of_reading=1e-3, resolution=0.01)
TYPICAL_POWER = PowerDescription(of_reading=2e-3, phase=1e-3, resolution=0.01)
"""Accuracy of instruments whose bench file states nothing of voltage or power."""
WIDE = ScaleDescription(full_scale=1e6, of_reading=0.0, of_range=0.0, resolution=1e-6)
"""The range of a meter that has only one."""


@dataclass(frozen=True)
class Measured:
    """One measurement, all of it at the same time: amperes, volts, watts, the power factor (negative: leading), degrees."""

    current: float
    voltage: float
    power: float
    power_factor: float
    phase: float


class Observer:
    """An instrument that reads current, and voltage and power where it has those.

    `at` gives the quantities at its terminals: amperes, volts and the angle in rad by which the current lags. With `in_volts`
    it reads only a voltage, which stands for the current.
    """

    def __init__(
        self,
        multimeter: Multimeter,
        instrument: InstrumentDescription,
        description: BenchDescription,
        at: Callable[[Seen], tuple[float, float, float]],
        *,
        in_volts: bool = False,
    ) -> None:
        seed, share = f"{description.seed} {instrument.role}", description.share_of_claim
        draw = random.Random(f"{seed} voltage and power")
        self._noise = random.Random(f"{seed} voltage and power noise")
        self.multimeter, self._at, self._in_volts = multimeter, at, in_volts
        self._frequency = description.meter.frequency
        self._voltage, self._power = instrument.voltage or TYPICAL_VOLTAGE, instrument.power or TYPICAL_POWER
        self._voltage_gain = 1.0 + draw.uniform(-share, share) * self._voltage.of_reading
        self._power_gain = 1.0 + draw.uniform(-share, share) * self._power.of_reading
        self._displacement = draw.uniform(-share, share) * self._power.phase

    def configure(self, expected: float) -> None:
        """Choose the range for `expected` amperes. Raises load.Refused."""
        self.multimeter.configure(expected)

    def reset(self) -> None:
        self.multimeter.reset()

    def reading(self, seen: Seen) -> Measured:
        """One measurement; values that depend on a current in overload are 9.9E37."""
        true_current, true_voltage, true_angle = self._at(seen)
        current = self.multimeter.reading(true_current * self._shown_of(seen.waveform, true_current))
        if self._in_volts:
            return Measured(0.0, current, 0.0, 1.0, 0.0)
        voltage = self._noisy(true_voltage * self._voltage_gain, self._voltage.resolution)
        if current == OVERLOAD:
            return Measured(OVERLOAD, voltage, OVERLOAD, OVERLOAD, OVERLOAD)
        angle = true_angle - self._displacement
        true_power = true_voltage * true_current * seen.fundamental * math.cos(angle)
        power = self._noisy(true_power * self._power_gain, self._power.resolution)
        # Instruments show 1 while nothing flows; common practice, no published source.
        flows = voltage and current > self.multimeter.nothing
        factor = max(-1.0, min(1.0, power / (voltage * current))) if flows else 1.0
        return Measured(
            current,
            voltage,
            power,
            -factor if angle < -SURELY_LEADING else factor,
            # Measured between the two channels, not computed from the power factor, which near unity would be 3 degrees
            # off for a gain error of 0.15 %.
            math.degrees(angle) if flows else 0.0,
        )

    def _shown_of(self, waveform: Waveform, effective: float) -> float:
        """The part of a current of that `effective` value which its input passes and responds to; all of a sine."""
        if waveform.sinusoidal or not effective:
            return 1.0
        scale, most = self.multimeter.scale, math.inf
        if scale.crest_factor is not None:
            most = scale.crest_factor * scale.full_scale / abs(effective)
        stage = InputStage(self._frequency, most, scale.bandwidth or math.inf, scale.response)
        return stage.reads(unit_samples(waveform))

    def _noisy(self, value: float, resolution: float) -> float:
        noise = self._noise.gauss(0.0, NOISE * abs(value) + 0.5 * resolution)
        return round((value + noise) / resolution) * resolution


def observers(description: BenchDescription) -> dict[str, Observer]:
    """Every instrument that only reads, by its part on the bench."""
    makers = {
        "reference": _reference,
        "secondary": _secondary,
        "voltage": _voltmeter,
        "check_standard": _check_standard,
    }
    return {i.role: makers[i.role](i, description) for i in description.instruments if i.role in makers}


def _autoranging(instrument: InstrumentDescription) -> bool:
    """Whether its profile has no command for a range of current; a person turns it to one."""
    profile = instrument.profile
    return profile is not None and "current" in profile.quantities and not profile.quantities["current"].configure


def _reference(instrument: InstrumentDescription, description: BenchDescription) -> Observer:
    path, faults = path_as_it_is(description), {text.partition(":")[0].strip() for text in description.faults}
    reads, share, scales = reference_reads(faults), description.share_of_claim, instrument.scales
    if "average-responding-reference" in faults:
        scales = tuple(replace(scale, response="average") for scale in scales)
    multimeter = Multimeter(scales, description.seed, share=share, autoranging=_autoranging(instrument))
    return Observer(
        multimeter,
        instrument,
        description,
        lambda seen: (path.output(seen.primary) * reads, seen.voltage, seen.angle - path.displacement(seen.primary)),
        in_volts=description.reference_path.in_volts,
    )


def _as_the_reference_reads(current: float, description: BenchDescription) -> float:
    """The bench's reference's reading, in amperes, of a true `current`, without its noise."""
    reference = next(i for i in description.instruments if i.role == "reference")
    multimeter = Multimeter(reference.scales, description.seed, share=description.share_of_claim)
    multimeter.configure(current / description.reference_factor)
    return multimeter.on_average(path_as_it_is(description).output(current)) * description.reference_factor


def _secondary(instrument: InstrumentDescription, description: BenchDescription) -> Observer:
    multimeter = Multimeter(
        instrument.scales or (WIDE,),
        description.seed,
        "secondary",
        share=description.share_of_claim,
        autoranging=_autoranging(instrument),
    )
    # A sensor at a shunt sees no voltage but what the current drops across it.
    return Observer(
        multimeter, instrument, description, lambda seen: (seen.secondary, seen.secondary * instrument.burden, 0.0)
    )


def _voltmeter(instrument: InstrumentDescription, description: BenchDescription) -> Observer:
    multimeter = Multimeter((WIDE,), description.seed, "voltage")
    return Observer(multimeter, instrument, description, lambda seen: (0.0, seen.voltage, 0.0))


def _check_standard(instrument: InstrumentDescription, description: BenchDescription) -> Observer:
    """The check standard. Its ranges give only its resolution: its error is described for the check standard as a whole."""
    known = description.check_standard
    if known is None:
        raise ValueError("an instrument is a check standard and nothing says what it is known to read")
    spread = description.share_of_claim * known.uncertainty / 2
    own = random.Random(f"{description.seed} check standard").gauss(0.0, spread)
    of_the_day = random.Random(f"{description.seed} check standard day {description.day}")
    ratio = known.ratio * (1.0 + own + of_the_day.gauss(0.0, known.standard_deviation))
    if known.established_at is not None:
        ratio *= _as_the_reference_reads(known.established_at, description) / known.established_at
    scales = instrument.scales or (WIDE,)
    multimeter = Multimeter(scales, description.seed, "check standard", share=0.0)
    return Observer(multimeter, instrument, description, lambda seen: (seen.primary * ratio, seen.voltage, seen.angle))
