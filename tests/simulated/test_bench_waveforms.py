"""A whole simulated bench with loads whose current is no sine."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from instruments.waveform_names import Waveform, parse_waveform
from simulated.description import BenchDescription, ShelfDescription
from simulated.physics.circuit import BenchCircuit
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench

Make = Callable[..., BenchDescription]


def plugged(description: BenchDescription, current: float, text: str, **of_reference: object) -> tuple[float, float]:
    """What the display shows and the reference reads of a load of `current` amperes, in amperes, on x1."""
    shelf = (ShelfDescription(current, waveform=parse_waveform(text)),)
    instruments = tuple(
        replace(i, profile=None, shelf=shelf)
        if i.role == "load"
        else replace(i, scales=tuple(replace(s, **of_reference) for s in i.scales))  # type: ignore[arg-type]
        if i.role == "reference"
        else i
        for i in description.instruments
    )
    bench = SimulatedBench(replace(description, instruments=instruments), VirtualClock())
    bench.plug(current)
    bench.configure("reference", current)
    bench.clock.sleep(3.0)
    return bench.shown().current, bench.read_reference()


def test_true_rms_instruments_agree_on_a_symmetrical_waveform_and_lose_a_direct_part(make_description: Make) -> None:
    of_sine = plugged(make_description(), 20.0, "sine")
    for text in ("phase_cut 90 deg", "rectifier 40 deg", "triangle"):
        shown, read = plugged(make_description(), 20.0, text)
        assert shown / read == pytest.approx(of_sine[0] / of_sine[1], rel=2e-3)
    shown, read = plugged(make_description(), 20.0, "half_wave")
    assert shown / read == pytest.approx(math.sqrt(1 - 4 / math.pi**2), rel=0.01)


def test_a_meter_that_responds_to_the_mean_reads_a_dimmed_load_low(make_description: Make, meter: object) -> None:
    """-29.29 % in closed form, less what the transformer gives back in the dead times."""
    description = make_description(meter=replace(meter, response="average"))  # type: ignore[type-var]
    sine, cut = (plugged(description, 20.0, text) for text in ("sine", "phase_cut 90 deg"))
    assert cut[0] / cut[1] / (sine[0] / sine[1]) - 1 == pytest.approx(-0.2929, abs=2e-3)


def test_a_reference_that_responds_to_the_mean_makes_the_meter_seem_high(make_description: Make) -> None:
    shown, read = plugged(make_description(), 20.0, "phase_cut 90 deg", response="average")
    assert shown / read == pytest.approx(math.sqrt(2), rel=5e-3)


def test_a_reference_clips_above_its_crest_factor(make_description: Make) -> None:
    _, whole = plugged(make_description(), 9.9, "rectifier 30 deg")
    _, clipped = plugged(make_description(), 9.9, "rectifier 30 deg", crest_factor=2.0)
    assert clipped < 0.9 * whole


def test_the_largest_peak_is_kept_and_counted_as_that_of_a_sine(make_description: Make) -> None:
    circuit = BenchCircuit(make_description(), (), 0.0)
    circuit.load.set_waveform(Waveform("phase_cut", 90.0), 0.0)
    circuit.load.set_current(10.0, 0.0)
    circuit.load.set_output(True, 0.0)
    circuit.advance(5.0)
    assert circuit.peak_ampere_turns == pytest.approx(circuit.ampere_turns(5.0) * math.sqrt(2), rel=1e-3)


def test_what_is_between_the_levels_solved_is_what_would_be_solved_there(make_description: Make) -> None:
    from instruments.waveforms import effective_value, unit_samples
    from simulated.physics.assembly import transformer_with
    from simulated.physics.core_in_time import secondary_in_time
    from simulated.physics.shaped_secondary import ShapedSecondary

    transformer = transformer_with({"saturating-core"}, make_description().meter)
    shaped, waveform = ShapedSecondary(transformer), Waveform("phase_cut", 120.0)
    for ampere_turns, further in ((0.731, 0.0), (33.3, 2.5), (77.7, 0.0)):
        exact = secondary_in_time(transformer, unit_samples(waveform) * (ampere_turns / 2500), further)
        found = shaped.current(waveform, ampere_turns, further)
        assert effective_value(found) == pytest.approx(effective_value(exact), rel=2e-4)


def powered(description: BenchDescription, text: str, power_factor: float) -> tuple[SimulatedBench, float]:
    """A bench with a load of 10 A of this waveform and power factor on x1, and the power that flows, in watts."""
    shelf = (ShelfDescription(10.0, power_factor=power_factor, waveform=parse_waveform(text)),)
    instruments = tuple(
        replace(i, profile=None, shelf=shelf) if i.role == "load" else i for i in description.instruments
    )
    bench = SimulatedBench(replace(description, instruments=instruments, share_of_claim=0.0), VirtualClock())
    bench.plug(10.0)
    bench.configure("reference", 10.0)
    bench.clock.sleep(3.0)
    return bench, bench._circuit.power(bench.clock.now())


@pytest.mark.parametrize(
    ("text", "power_factor"), [("phase_cut 90 deg", 0.7071), ("rectifier 60 deg", 0.6), ("capacitor_dropper", -0.4)]
)
def test_apparent_power_and_power_factor_follow_the_effective_current(
    make_description: Make, text: str, power_factor: float
) -> None:
    """P = U I1 cos(phi1), S = U I, and P / S the power factor that was set (IEEE Std 1459, 3.1.2, sinusoidal voltage)."""
    bench, power = powered(make_description(), text, power_factor)
    now = bench.clock.now()
    effective, voltage = bench._circuit.flowing(now), bench._circuit.mains.voltage_at(now)
    assert power == pytest.approx(effective * voltage * abs(power_factor), rel=1e-3)
    shown, read = bench.shown(), bench.measure("reference")
    for found in (shown, read):
        assert found.power == pytest.approx(power, rel=0.02)
        assert abs(found.power_factor) == pytest.approx(abs(power_factor), rel=0.02)
        assert found.current * found.voltage == pytest.approx(effective * voltage, rel=0.01)


def test_a_dimmed_heater_draws_the_power_of_the_voltage_at_its_resistance(make_description: Make) -> None:
    """Cut at 90 degrees: half of the power at full voltage, a power factor of sqrt(1/2), and the fundamental lags by atan(2 / pi) (elementary)."""
    bench, power = powered(make_description(), "phase_cut 90 deg", math.sqrt(0.5))
    part, angle = bench._circuit.fundamental(bench.clock.now())
    assert angle == pytest.approx(math.atan(2 / math.pi), rel=1e-3)
    assert part * math.cos(angle) == pytest.approx(math.sqrt(0.5), rel=1e-3)
    now = bench.clock.now()
    assert power == pytest.approx(
        math.sqrt(0.5) * bench._circuit.flowing(now) * bench._circuit.mains.voltage_at(now), rel=1e-3
    )


def test_a_phase_displacement_turns_the_fundamental_alone(make_description: Make) -> None:
    """A rectifier's fundamental lies with the voltage: tan(phi1) = 0, whatever its power factor. A sine of the same power factor is turned."""
    from instruments.waveforms import fundamental_part

    factor = fundamental_part(parse_waveform("rectifier 60 deg"))
    errors = []
    for text, displaced in (("rectifier 60 deg", 0.0), ("rectifier 60 deg", 0.02), ("sine", 0.0), ("sine", 0.02)):
        bench, power = powered(make_description(), text, factor)
        bench._display._module = replace(bench._display._module, phase_error=displaced)
        bench.clock.sleep(5.0)
        errors.append(bench.shown().power / power - 1)
    assert errors[1] - errors[0] == pytest.approx(-0.0002, abs=5e-4)
    assert errors[3] - errors[2] == pytest.approx(0.02 * math.tan(math.acos(factor)), rel=0.05)


def test_the_way_of_shapes_gives_the_power_of_a_sine_as_the_phasor_does(make_description: Make) -> None:
    """A burst of nine periods in ten is nearly a sine of sqrt(0.9) of the current."""
    bench, power = powered(make_description(), "burst 9/10", 0.5)
    sine, of_sine = powered(make_description(), "sine", 0.5)
    assert bench.shown().power / power == pytest.approx(sine.shown().power / of_sine, rel=2e-3)
