"""Readings of a current that is no sine are refused where the reference does not follow it, and carry what its bandwidth leaves unknown."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pytest

from harness.commands.new import template
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.ratio.reference_shape import lost_by_bandwidth
from harness.evaluation.ratio.uncalibrated_points import uncalibrated
from harness.evaluation.uncertainty.gum_formulas import Contribution
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.evaluation.validation.models import ratio_error
from harness.evaluation.validation.monte_carlo import Draws
from harness.files.bench import Bench
from harness.files.loading import parse_bench, parse_device
from harness.files.shelf_entry import ShelfEntry
from harness.record.observations import ObservedPoint, ReadingPair
from instruments.waveform_names import DESCRIBED, parse_waveform
from simulated.physics.input_stage import InputStage

DEVICE = parse_device(template("device.toml"), "device.toml")
BY_HAND = parse_bench(template("bench_by_hand.toml"), "bench_by_hand.toml")
RUN_DATE = dt.date(2026, 11, 27)


def bench_with(said: dict[str, object], stated: dict[str, object]) -> Bench:
    """The bench by hand with one load of 2 A, and the ranges of its multimeter with what is `stated` of them."""
    entries = dict(BY_HAND.instruments)
    load = ShelfEntry(name="lamp", current="2 A", **said)  # type: ignore[arg-type]
    entries["shelf"] = entries["shelf"].model_copy(update={"shelf": (load,)})
    scales = tuple(r.model_copy(update=stated) for r in entries["multimeter"].ranges)
    entries["multimeter"] = entries["multimeter"].model_copy(update={"ranges": scales})
    return BY_HAND.model_copy(update={"instruments": entries})


def point(bench: Bench, reading: float = 2.0) -> ObservedPoint:
    pairs = tuple(ReadingPair(reading, reading, (i, i + 0.1), (i, i + 0.1)) for i in range(4))
    return ObservedPoint("x1", "x1 2 A", "up", 2.0, bench.entry("reference").ranges[-1].full_scale, pairs)


@pytest.mark.parametrize(
    ("said", "stated", "why"),
    [
        ({"waveform": "sine"}, {"response": "average", "crest_factor": 1.5, "coupling": "AC"}, ""),
        ({"waveform": "phase_cut"}, {}, ""),
        ({"waveform": "phase_cut"}, {"response": "true rms"}, ""),
        ({"waveform": "phase_cut"}, {"response": "average"}, "responds to the rectified mean"),
        ({"waveform": "other"}, {"response": "average"}, "responds to the rectified mean"),
        ({}, {"response": "average"}, "whose waveform is not stated"),
        ({"waveform": "rectifier 30 deg"}, {"crest_factor": 3.0}, ""),
        ({"waveform": "rectifier 30 deg"}, {"crest_factor": 1.5}, ""),
        ({"crest_factor": 9.0}, {"crest_factor": 1.5}, "its peak is 1.8 times the full scale"),
        ({"waveform": "half_wave"}, {}, "is not stated to read a direct part"),
        ({"waveform": "half_wave"}, {"coupling": "AC"}, "reads no direct part"),
        ({"waveform": "half_wave"}, {"coupling": "AC+DC"}, ""),
    ],
)
def test_a_reading_outside_what_the_reference_follows_is_left_out_with_its_reason(
    said: dict[str, object], stated: dict[str, object], why: str
) -> None:
    """At 2 A on a range of 10 A a crest factor of 9 is a peak of 1.8 times the full scale."""
    bench = bench_with(said, stated)
    found = [text for _, text in uncalibrated(DEVICE, bench, [point(bench)])]
    assert [why in text for text in found] == ([True] if why else [])


@pytest.mark.parametrize("name", sorted(DESCRIBED))
@pytest.mark.parametrize("bandwidth", [150.0, 1000.0, 50e3])
def test_what_the_bandwidth_takes_is_what_the_simulated_input_loses(name: str, bandwidth: float) -> None:
    """Two ways: powers of the harmonics here, the filtered samples there (which has no direct part beyond its gain of one)."""
    from instruments.waveforms import unit_samples

    waveform = parse_waveform(name)
    reads = InputStage(50.0, bandwidth=bandwidth).reads(unit_samples(waveform))
    assert 1 - lost_by_bandwidth(waveform, bandwidth / 50.0) == pytest.approx(reads, rel=1e-9)


def test_the_bandwidth_is_an_input_of_its_own_and_the_trials_have_it_too() -> None:
    """A square wave behind a low pass at ten times its frequency: sum over odd k of 8 / (pi k)^2 / (1 + (k/10)^2), times 1.01 (textbook of Fourier series)."""
    square = math.fsum(8 / (math.pi * k) ** 2 / (1 + (k / 10) ** 2) for k in range(1, 4001, 2)) * 1.01
    bench = bench_with({"waveform": "rectangular 180 deg"}, {"bandwidth": 500.0})
    inputs = InputQuantities(bench, RUN_DATE)
    values = point_values(DEVICE, inputs, point(bench))
    lines = {line.source: line for line in inputs.budget(values.ratio_error)}
    found = lines["reference, 10 A range: bandwidth, rectangular 180 deg"]
    assert found.distribution == "rectangular"
    assert found.contribution == pytest.approx((1 - math.sqrt(square)) / math.sqrt(3), rel=0.01)
    assert values.model is not None
    of = {
        v: Contribution(float(v.std_dev), inputs.sources[v].distribution, math.inf)
        for v in values.ratio_error.derivatives
    }
    drawn: Any = ratio_error(values.model, Draws(of, 0, trials=20_000))
    assert float(drawn.std()) == pytest.approx(float(values.ratio_error.std_dev), rel=0.02)
    sine = bench_with({"waveform": "sine"}, {"bandwidth": 500.0})
    assert not any("bandwidth" in line.source for line in _budget(sine))


def _budget(bench: Bench) -> Any:
    inputs = InputQuantities(bench, RUN_DATE)
    return inputs.budget(point_values(DEVICE, inputs, point(bench)).ratio_error)


@pytest.mark.parametrize("text", ["burst 1/3", "half_wave"])
def test_what_passes_better_than_a_sine_is_a_bound_too(text: str) -> None:
    """Of a burst and a half wave some parts lie below the mains frequency: a narrow input reads a burst high, and the bound has no sign."""
    assert lost_by_bandwidth(parse_waveform("burst 1/3"), 3.0) < 0
    bench = bench_with({"waveform": text}, {"bandwidth": 150.0, "coupling": "AC+DC"})
    (line,) = [one for one in _budget(bench) if "bandwidth" in one.source]
    assert line.contribution == pytest.approx(
        abs(lost_by_bandwidth(parse_waveform(text), 3.0)) / math.sqrt(3), rel=0.05
    )
