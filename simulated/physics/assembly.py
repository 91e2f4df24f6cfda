"""The parts of a simulated bench, built from its description and its faults."""

import cmath
import math
import random
from dataclasses import replace

from simulated.bench_faults import ActiveFault
from simulated.description import BenchDescription, MeterDescription
from simulated.physics.input_stage import InputStage, peak_of_sine
from simulated.physics.load import CurrentSource
from simulated.physics.module import CLIPS_AT, Module
from simulated.physics.transformer import TransformerModel, core_for_rating

FUSE_RESISTANCE = 3.0
"""Ohms of a healthy secondary fuse."""
HIGH_FUSE_RESISTANCE = 500.0
"""Ohms added by the fault high-resistance-fuse."""
CALIBRATED_AT = 0.3
"""Part of the rated current at which the maker trimmed the module's gain, transformer error included."""
GAIN_TOLERANCE = 1.5e-3
VOLTAGE_TOLERANCE, PHASE_TOLERANCE = 1e-3, math.radians(0.05)
"""Bounds of the module's own error of voltage (relative) and of the angle between its channels."""
TYPICAL_POWER_RESOLUTION, TYPICAL_POWER_FACTOR_RESOLUTION = 0.1, 0.001
"""Resolutions of a module whose paperwork does not state them."""
DRIFTED_GAIN = 1.03
WRONG_RATIO = 0.8
"""The fault ratio-setting: turns of the transformer the meter is set for, over those it has."""
CLOSED_TURN_RESISTANCE = 0.3e-3
"""Ohms of the fault closed-turn: 30 cm of 16 mm2 copper at 20 degC (1.7241e-8 ohm m, IEC 60028, gives 0.32 mohm)."""
BENT_BY = -0.04
"""The fault bent-gain: relative error of the module at rated current, in proportion to it."""
OFFSET_STEPS = 12
"""Display steps added by the fault display-offset."""
THRESHOLD_TIMES = 3.0
"""The fault high-threshold: smallest readable current as a multiple of the one described."""
PHASE_SHIFT = math.radians(2.0)
"""The fault phase-shifted: current channel before voltage channel."""
AIR_GAP = 0.3e-3
"""Metres of the fault core-gap: some dirt in the joint of a split core."""
HALF_WAVE = math.sqrt(0.5)
"""The rms of one half-wave of a sine over that of both; its power is half (elementary)."""
CAPACITIVE_PART = 0.2
"""The fault burden-capacitance: burden over the reactance of the capacitor across it."""
CLIPPED_AT = 0.5
"""The fault clipping: effective value of the sine at whose peak the input clips, over the rated current."""
NARROW_BANDWIDTH = 3.0
"""The fault narrow-bandwidth: where the input has lost 3 dB, in multiples of the mains frequency."""
REFERENCE_READS, RATIO_TYPED = 0.97, 0.8
"""The faults reference-wrong and reference-ratio: the reference's reading over the current that flows."""
OPEN_RESISTANCE = 1e9
"""Ohms of an open secondary."""
SATURATED_TIMES = 1.8
"""The fault saturating-core: flux density at rated current as a multiple of the saturation flux density."""


SATURATED_BY_DIRECT = 0.9
"""The fault half-wave-saturation: flux density at rated current as a multiple of the saturation flux density."""


def check_links(description: BenchDescription, faults: tuple[ActiveFault, ...]) -> None:
    """Raise ValueError for a fault of a link or an instrument that a person stands in for."""
    by_wire = {i.role for i in description.instruments if i.profile is not None}
    for fault in faults:
        needed = "load" if fault.name == "load-ignores-off" else "reference"
        if fault.fault.kind in ("link", "instrument") and needed not in by_wire:
            raise ValueError(f"fault {fault.name}: no instrument plays the {needed} by wire")
        if fault.name == "reference-ratio" and description.reference_factor == 1:
            raise ValueError(f"fault {fault.name}: the reference of this bench has no ratio")


def current_source(description: BenchDescription, ignores_off: bool) -> CurrentSource:
    """The load; without a maximum current in its description it has no limit."""
    load = next((i for i in description.instruments if i.role == "load"), None)
    maximum = None if load is None else load.maximum_current
    spread = 0.0 if load is None else description.share_of_claim * load.power_factor_uncertainty / 2
    deviation = random.Random(f"{description.seed} power factor").gauss(0.0, spread)
    return CurrentSource(float("inf") if maximum is None else maximum, description.seed, ignores_off, deviation)


def range_factors(meter: MeterDescription, already_scaled: str) -> dict[str, float]:
    """Factor of the meter's own display on each range: the display factor on `already_scaled` (a fault), 1 on the others."""
    return {r.name: r.display_factor if r.name == already_scaled else 1.0 for r in meter.ranges}


def healthy_transformer(meter: MeterDescription) -> TransformerModel:
    """The transformer as its maker chose it for the meter's rated current and burden."""
    fuse_resistance = FUSE_RESISTANCE if meter.secondary_fuse else 0.0
    resistance = meter.winding_resistance + meter.burden + fuse_resistance
    rated = meter.rated_secondary_current
    core = core_for_rating(rated * resistance, rated, meter.secondary_turns, meter.frequency)
    return TransformerModel(
        core, meter.secondary_turns, meter.frequency, meter.winding_resistance, meter.burden, fuse_resistance
    )


def transformer_with(faults: set[str], meter: MeterDescription) -> TransformerModel:
    """The transformer with those of the named faults that concern it."""
    transformer = healthy_transformer(meter)
    times = {"saturating-core": SATURATED_TIMES, "half-wave-saturation": SATURATED_BY_DIRECT}
    if saturated := [times[name] for name in faults if name in times]:
        resistance = transformer.secondary_impedance.real
        saturation = transformer.flux_density(meter.rated_secondary_current * resistance) / max(saturated)
        transformer = replace(transformer, core=replace(transformer.core, saturation_flux_density=saturation))
    if "high-resistance-fuse" in faults:
        transformer = replace(transformer, fuse_resistance=transformer.fuse_resistance + HIGH_FUSE_RESISTANCE)
    if "closed-turn" in faults:
        transformer = replace(transformer, closed_turn_resistance=CLOSED_TURN_RESISTANCE)
    if "core-gap" in faults:
        transformer = replace(transformer, air_gap=AIR_GAP)
    if "frequency-other" in faults:
        transformer = replace(transformer, frequency=50.0 if meter.frequency == 60.0 else 60.0)
    if "secondary-open" in faults:
        transformer = replace(transformer, fuse_resistance=OPEN_RESISTANCE)
    return transformer


def power_sense(faults: set[str]) -> int:
    """-1 when the module's voltage input is reversed, apart from the sign of the turns."""
    return -1 if "voltage-reversed" in faults else 1


def through_burden(faults: set[str]) -> complex:
    """The part of the secondary current that flows through the burden and not beside it: 1 / (1 + j w R C)."""
    return 1 / complex(1.0, CAPACITIVE_PART) if "burden-capacitance" in faults else 1 + 0j


def reference_reads(faults: set[str]) -> float:
    """The reference's reading over the current that flows, apart from errors inside its claim."""
    return (REFERENCE_READS if "reference-wrong" in faults else 1.0) * (
        RATIO_TYPED if "reference-ratio" in faults else 1.0
    )


def module_phase(faults: set[str]) -> float:
    """Phase shift in radians that the module adds to the transformer's own."""
    return (PHASE_SHIFT if "phase-shifted" in faults else 0.0) + cmath.phase(through_burden(faults))


def input_stage_with(faults: set[str], frequency: float, meter: MeterDescription) -> InputStage:
    """The input of the metering module at the mains' `frequency`."""
    peak = meter.largest_secondary_peak or peak_of_sine(CLIPS_AT * meter.maximum_secondary_current)
    if "clipping" in faults:
        peak = min(peak, peak_of_sine(CLIPPED_AT * meter.rated_secondary_current))
    bandwidth = math.inf if meter.bandwidth is None else meter.bandwidth
    return InputStage(
        frequency,
        peak,
        min(bandwidth, NARROW_BANDWIDTH * frequency) if "narrow-bandwidth" in faults else bandwidth,
        "average" if "average-responding" in faults else meter.response,
        clips_sines=meter.largest_secondary_peak is not None or "clipping" in faults,
    )


def module_with(faults: set[str], meter: MeterDescription, seed: int) -> Module:
    """The metering module with small errors of its own, drawn from `seed`, and its fault if it has one.

    The maker's calibration made displayed current and paperwork agree on the base range.
    """
    draw, power = random.Random(f"{seed} module"), random.Random(f"{seed} module power")
    base = meter.ranges[0]
    healthy = healthy_transformer(meter)
    trimmed_at = CALIBRATED_AT * meter.rated_secondary_current * meter.secondary_turns
    trim = 1.0 / abs(1.0 + healthy.complex_error(trimmed_at))
    drift = DRIFTED_GAIN if "drifted-gain" in faults else 1.0
    half = HALF_WAVE if "half-wave-lost" in faults else 1.0
    set_for = WRONG_RATIO if "ratio-setting" in faults else 1.0
    shift = OFFSET_STEPS if "display-offset" in faults else 0
    return Module(
        scale=set_for * meter.secondary_turns / (base.primary_turns * base.display_factor),
        gain=trim * drift * abs(through_burden(faults)) * half * (1.0 + draw.uniform(-GAIN_TOLERANCE, GAIN_TOLERANCE)),
        offset=(draw.uniform(-0.3, 0.3) + shift) * meter.resolution,
        resolution=meter.resolution,
        smallest=meter.smallest_readable_current * (THRESHOLD_TIMES if "high-threshold" in faults else 1.0),
        refresh_interval=meter.refresh_interval,
        clips_at=CLIPS_AT * meter.maximum_secondary_current,
        seed=seed,
        bend=BENT_BY / meter.rated_secondary_current if "bent-gain" in faults else 0.0,
        power_gain=half,
        voltage_gain=1.0 + power.uniform(-VOLTAGE_TOLERANCE, VOLTAGE_TOLERANCE),
        # A reversed voltage input is a phase shift of half a turn.
        phase_error=power.uniform(-PHASE_TOLERANCE, PHASE_TOLERANCE)
        + module_phase(faults)
        + (math.pi if power_sense(faults) < 0 else 0.0),
        power_resolution=meter.power_resolution or TYPICAL_POWER_RESOLUTION,
        power_factor_resolution=meter.power_factor_resolution or TYPICAL_POWER_FACTOR_RESOLUTION,
        default_power_factor=meter.default_power_factor,
    )
