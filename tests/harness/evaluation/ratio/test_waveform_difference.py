"""The difference of two ratio errors: what of the reference's uncertainty cancels, and what does not."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.new import template
from harness.evaluation.ratio.effective_turns import SLOPE
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.ratio.reference_shape import lost_by_bandwidth
from harness.evaluation.ratio.waveform_difference import CURVE, steepest, waveform_difference
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.files.bench import Bench
from harness.files.loading import parse_bench, parse_device
from harness.files.shelf_entry import ShelfEntry
from harness.record.observations import ObservedPoint, ReadingPair
from harness.steps import NEARLY_EQUAL
from instruments.waveform_names import parse_waveform

DEVICE = parse_device(template("device.toml"), "device.toml")
BY_HAND = parse_bench(template("bench_by_hand.toml"), "bench_by_hand.toml")
RUN_DATE = dt.date(2026, 11, 27)
STEP = DEVICE.display.resolution


def bench_with(*shelf: tuple[float, str], **stated: Any) -> Bench:
    """The bench by hand with these loads, and the ranges of its multimeter with what is `stated` of them."""
    entries = dict(BY_HAND.instruments)
    loads = tuple(ShelfEntry(name=shape, current=f"{c!r} A", waveform=shape) for c, shape in shelf)
    entries["shelf"] = entries["shelf"].model_copy(update={"shelf": loads})
    scales = tuple(r.model_copy(update=stated) for r in entries["multimeter"].ranges)
    entries["multimeter"] = entries["multimeter"].model_copy(update={"ranges": scales, "drift_per_year": 0.0})
    return BY_HAND.model_copy(update={"instruments": entries})


def read(inputs: InputQuantities, nominal: float, reference: float, shown: float, scale: float = 10.0) -> PointValues:
    """A point of four pairs alike, so that nothing scatters."""
    pairs = tuple(ReadingPair(reference, shown, (i, i + 0.1), (i, i + 0.1)) for i in range(4))
    return point_values(DEVICE, inputs, ObservedPoint("x1", f"x1 {nominal} A", "single", nominal, scale, pairs))


LAMP = bench_with((2.0, "sine"), (2.1, "phase_cut 90 deg"), bandwidth=20e3)


def compared(bench: Bench, shown: tuple[float, float], at: tuple[float, float] = (2.0, 2.1)) -> tuple[Any, Any]:
    inputs = InputQuantities(bench, RUN_DATE)
    sine, other = (read(inputs, nominal, i, d) for nominal, i, d in zip((2.0, 2.1), at, shown, strict=True))
    found = waveform_difference(inputs, other, [sine], 2 * STEP)
    assert found is not None
    return inputs, found.difference


def test_the_difference_as_another_library_has_it() -> None:
    """GTC 1.5: one gain, one offset and one input of both for both points, resolutions of their own, the bandwidth for the lamp alone, the curve between."""
    scale = LAMP.entry("reference").ranges[-1]
    _, found = compared(LAMP, (2.004, 1.6))

    def bound(half_width: float) -> Any:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    gain, offset = bound(scale.of_reading), bound(scale.of_range * scale.full_scale)
    both = bound(math.sqrt(2 * scale.of_reading * scale.of_range))
    lost = bound(lost_by_bandwidth(parse_waveform("phase_cut 90 deg"), 20e3 / 50.0))
    sine = (2.004 + bound(STEP / 2)) / (
        2.0 / (1 + gain + both * math.sqrt(scale.full_scale / 2.0)) + offset + bound(scale.resolution / 2)
    )
    lamp = (1.6 + bound(STEP / 2)) / (
        2.1 / (1 + gain + both * math.sqrt(scale.full_scale / 2.1) + lost) + offset + bound(scale.resolution / 2)
    )
    # A single sine says nothing of the curve's slope: 0.3 % a decade and a constant of two display steps.
    curve = bound((SLOPE + 2 * STEP / 2.0) * math.log(2.1 / 2.0))
    there = lamp - sine + curve
    assert found.nominal_value == pytest.approx(there.x, rel=1e-12)
    assert found.std_dev == pytest.approx(there.u, rel=1e-9)


@given(
    st.floats(1e-4, 0.05),
    st.floats(-0.02, 0.02),
    st.floats(-0.8, 0.2),
)
def test_the_gain_of_the_reference_cancels_as_far_as_both_errors_are_alike(
    gain: float, error: float, influenced: float
) -> None:
    """d(e_w - e_s) / d(gain) is (1 + e_w) - (1 + e_s), so that a gain known poorly counts by the influence itself (elementary)."""
    bench = bench_with((2.0, "sine"), (2.1, "triangle"), of_reading=gain, of_range=0.0)
    inputs, found = compared(bench, (2.0 * (1 + error), 2.0 * (1 + error + influenced)), at=(2.0, 2.0))
    assert nominal(found) == pytest.approx(influenced, abs=1e-12)
    shared = [line for line in inputs.budget(found) if line.source.endswith("gain")]
    assert sum(line.contribution for line in shared) == pytest.approx(
        abs(influenced) * gain / math.sqrt(3), rel=1e-6, abs=1e-10
    )


@given(st.floats(0.81, 1.24), st.floats(0.5, 60.0))
def test_what_the_currents_lie_apart_is_in_the_uncertainty_as_a_bound(ratio: float, current: float) -> None:
    bench = bench_with((2.0, "sine"), (2.1, "triangle"))
    inputs, found = compared(bench, (current, current * ratio), at=(current, current * ratio))
    curve = [line.contribution for line in inputs.budget(found) if line.source == CURVE]
    bound = (SLOPE + 2 * STEP / current) * abs(math.log(ratio))
    assert sum(curve) == pytest.approx(bound / math.sqrt(3), rel=1e-9, abs=1e-9 * float(found.std_dev))


def test_a_constant_indication_stays_within_the_bound_of_the_curve() -> None:
    """A meter that shows two display steps too many, as its claim allows: the difference of its errors is none of the waveform's."""
    for current in (0.9, 3.0, 20.0):
        for ratio in (0.82, 0.97, 1.05, 1.2):
            other = current * ratio
            _, found = compared(LAMP, (current + 2 * STEP, other + 2 * STEP), at=(current, other))
            assert abs(nominal(found)) <= math.sqrt(3) * found.std_dev


def test_sines_at_other_currents_tell_the_slope_of_the_curve() -> None:
    """Errors of 0.1 % a tenth of a decade apart: a slope of 0.1 % over 0.2303."""
    inputs = InputQuantities(bench_with((2.0, "sine"), (2.1, "triangle")), RUN_DATE)
    step = 10**0.1
    sines = [read(inputs, 2.0, 2.0 * step**n, 2.0 * step**n * (1 + 1e-3 * n)) for n in (-1, 0, 1, 2)]
    assert steepest(sines[1], sines, 1.0) == pytest.approx(SLOPE + 1e-3 / math.log(step), rel=1e-9)
    # Two sines of nearly one current tell their resolution and no slope.
    twins = [sines[0], read(inputs, 2.0, 2.0 / step * 1.01, 2.0)]
    assert steepest(sines[0], twins, 0.01) == pytest.approx(SLOPE + 0.01 * step / 2.0, rel=1e-9)


def test_the_nearest_sine_is_compared_with_and_none_further_than_nearly_equal() -> None:
    inputs = InputQuantities(bench_with((2.0, "sine"), (2.1, "triangle")), RUN_DATE)
    lamp = read(inputs, 2.1, 2.1, 2.1)
    far, near = read(inputs, 2.0, 2.1 * NEARLY_EQUAL * 0.99, 2.6), read(inputs, 2.0, 2.0, 2.0)
    too_far = read(inputs, 2.0, 2.1 / NEARLY_EQUAL * 0.99, 1.6)
    for sines, expected in (([far, near], near), ([too_far, far], far), ([too_far], None), ([], None)):
        found = waveform_difference(inputs, lamp, sines, 0.0)
        assert (found.sine if found else None) is expected


def test_on_different_ranges_of_the_reference_both_gains_count() -> None:
    inputs = InputQuantities(bench_with((0.3, "sine"), (0.31, "triangle")), RUN_DATE)
    small, large = (r.full_scale for r in inputs.bench.entry("reference").ranges)
    sine, lamp = read(inputs, 0.3, 0.3, 0.3, small), read(inputs, 0.31, 0.3, 0.3, large)
    found = waveform_difference(inputs, lamp, [sine], 0.0)
    assert found is not None
    gains = [line for line in inputs.budget(found.difference) if line.source.endswith(": gain")]
    assert sorted(line.contribution for line in gains) == pytest.approx(
        sorted(r.of_reading / math.sqrt(3) for r in inputs.bench.entry("reference").ranges), rel=1e-9
    )
