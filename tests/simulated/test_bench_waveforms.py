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
