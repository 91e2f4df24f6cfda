"""Where the error is, the smallest current, no load, endurance and the bench's own check: each against the outside."""

import dataclasses
import datetime as dt
import math
import re
import statistics
from collections.abc import Sequence

import GTC
import numpy as np
import pytest
from scipy import stats

from harness.evaluation.beyond_ratio.check_standard import evaluated_bench_check
from harness.evaluation.beyond_ratio.endurance_results import evaluated_endurance
from harness.evaluation.range_evaluation import evaluate_ranges
from harness.evaluation.ratio.error_split import split
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.ratio.smallest_readable_current import smallest_found
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.loading import parse_bench
from harness.record.observations import ObservedPoint, ObservedRange, ReadingPair
from tests.harness.evaluation.conftest import BENCH, RUN_DATE, observed
from tests.in_words import in_words

SECONDARY = """
[instruments.loop]
profile = "scpi_multimeter"
address = "TCPIP::127.0.0.1::9::SOCKET"
calibration = { certificate = "Q-2", date = 2026-01-01, due = 2027-01-01 }
ranges = [{ full_scale = "100 mA", of_reading = "0.05 %", of_range = "0.01 %", resolution = "1 uA" }]
"""

STANDARD = """
[check_standard]
current = "5 A"
ratio = 1.0005
uncertainty = "0.04 %"
standard_deviation = "0.005 %"
[instruments.keeper]
profile = "scpi_multimeter"
address = "TCPIP::127.0.0.1::8::SOCKET"
"""


@pytest.fixture
def loop_bench() -> Bench:
    """With a multimeter in the secondary loop."""
    return parse_bench(
        BENCH.replace('switch = "hand"\n', 'switch = "hand"\nsecondary = "loop"\n') + SECONDARY, "bench.toml"
    )


@pytest.fixture
def checked_bench() -> Bench:
    """With a check standard."""
    text = BENCH.replace('switch = "hand"\n', 'switch = "hand"\ncheck_standard = "keeper"\n')
    return parse_bench(text + STANDARD, "bench.toml")


def _searched(
    device: Device, inputs: InputQuantities, rng: str, seen: Sequence[tuple[float, Sequence[float]]]
) -> list[PointValues]:
    points = [
        observed(rng, current, shown, direction="search", name=f"{rng} search {i}")
        for i, (current, shown) in enumerate(seen)
    ]
    return [point_values(device, inputs, p) for p in points]


# Where the error is


def test_the_parts_multiply_to_the_whole(device: Device, loop_bench: Bench) -> None:
    """IEC 61869-1, 3.4.3 (value from memory): ratio error (k I2 - I1) / I1. 50 A on 1:1000 with 49.8 mA is -0.4 %."""
    inputs = InputQuantities(loop_bench, RUN_DATE)
    point = observed("x1", 50.0, [50.1] * 4, also={"secondary_current": 0.0498})
    values = point_values(device, inputs, point)
    parts = split(device, inputs, values)
    assert parts is not None
    assert float(parts.transformer_error.nominal_value) == pytest.approx(-0.004)
    assert float(parts.module_error.nominal_value) == pytest.approx(50.1 / 49.8 - 1)
    whole = (1 + parts.transformer_error) * (1 + parts.module_error) - 1
    assert values.ratio_error is not None
    assert float(whole.nominal_value) == pytest.approx(float(values.ratio_error.nominal_value))
    # What the meter in the secondary gets wrong it moves from one part to the other: the whole does not know of it.
    assert float(whole.std_dev) == pytest.approx(float(values.ratio_error.std_dev), rel=1e-3)


def test_uncertainty_of_the_parts_as_another_library_has_it(device: Device, loop_bench: Bench) -> None:
    """GTC 1.5, from the two specification sheets."""
    inputs = InputQuantities(loop_bench, RUN_DATE)
    point = observed("x10", 5.0, [50.0] * 4, also={"secondary_current": 0.05})
    parts = split(device, inputs, point_values(device, inputs, point))
    assert parts is not None

    def bound(half_width: float) -> object:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    reference = (
        20
        * (1 + GTC.ureal(0.0, 0.00025))
        * (0.25 * (1 + bound(2e-4 * 182 / 365.25)) + bound(8e-4 * 0.25 + 2e-4) + bound(5e-7))
    )
    secondary = 0.05 + bound(5e-4 * 0.05 + 1e-5) + bound(5e-7)
    transformer = secondary * 1000 / (10 * reference) - 1
    module = (50.0 + bound(0.0005)) * 0.1 * 10 / (secondary * 1000) - 1
    assert float(parts.transformer_error.std_dev) == pytest.approx(transformer.u, rel=1e-6)
    assert float(parts.module_error.std_dev) == pytest.approx(module.u, rel=1e-6)


def test_without_a_meter_in_the_secondary_nothing_is_split(device: Device, bench: Bench) -> None:
    inputs = InputQuantities(bench, RUN_DATE)
    assert split(device, inputs, point_values(device, inputs, observed("x1", 50.0, [50.0] * 4))) is None


def test_nothing_is_split_where_the_secondary_or_a_current_is_missing(device: Device, loop_bench: Bench) -> None:
    inputs = InputQuantities(loop_bench, RUN_DATE)
    zero = observed("x1", 0.0, [0.0] * 4, direction="zero", also={"secondary_current": 0.001})
    silent = observed("x1", 50.0, [50.0] * 4, also={"secondary_current": 0.0})
    for point in (observed("x1", 50.0, [50.0] * 4), zero, silent):
        assert split(device, inputs, point_values(device, inputs, point)) is None


# The smallest current


def test_a_small_lamp_reads_nothing_until_ten_turns_lift_it(device: Device, bench: Bench) -> None:
    """A capacitor-dropper lamp of about 12 mA is zero to a meter that reads from 20 mA, and 120 mA on ten turns
    (common practice, no published source)."""
    inputs = InputQuantities(bench, RUN_DATE)
    base, tens = device.ranges
    plain = smallest_found(device, inputs, _searched(device, inputs, "x1", [(0.012, [0.0] * 4)]), base)
    assert plain is not None
    assert plain.value is None
    assert plain.lowest_reading is None
    lifted = smallest_found(device, inputs, _searched(device, inputs, "x10", [(0.012, [0.12] * 4)]), tens)
    assert lifted is not None
    assert lifted.lowest_reading == pytest.approx(0.012)


def test_it_lies_between_what_reads_and_what_does_not(device: Device, bench: Bench) -> None:
    """JCGM 100:2008, 4.3.7: nothing known between two bounds is a rectangle; 19.8 and 20.2 mA give 20.0 with 0.115 mA."""
    inputs = InputQuantities(bench, RUN_DATE)
    seen = [(1.0, [1.0] * 100), (0.0202, [0.02] * 100), (0.0198, [0.0] * 100)]
    found = smallest_found(device, inputs, _searched(device, inputs, "x1", seen), device.ranges[0])
    assert found is not None
    assert found.value is not None
    assert float(found.value.nominal_value) == pytest.approx(0.0200)
    parts = {line.source: line.contribution for line in inputs.budget(found.value)}
    assert parts["interval between reading and not reading"] == pytest.approx(0.0002 / math.sqrt(3))


def test_where_noise_decides_half_the_readings_count(device: Device, bench: Bench) -> None:
    inputs = InputQuantities(bench, RUN_DATE)
    seen = [(0.021, [0.02, 0.0, 0.02, 0.02]), (0.020, [0.02, 0.0, 0.0, 0.02]), (0.019, [0.0, 0.0, 0.02, 0.0])]
    found = smallest_found(device, inputs, _searched(device, inputs, "x1", seen), device.ranges[0])
    assert found is not None
    assert (found.highest_silent, found.lowest_reading) == (pytest.approx(0.019), pytest.approx(0.020))


def test_scatter_near_the_lowest_reading_is_pooled(device: Device, bench: Bench) -> None:
    """JCGM 100:2008, 4.2.4 note and H.3.6 (value from memory): sums of squares over the sum of degrees of freedom; the mean of four readings
    has half of it. A point 30 % up scatters more and does not count; what shows nothing is no reading. Ten turns show ten times.
    """
    inputs = InputQuantities(bench, RUN_DATE)
    near, next_to_it = [0.020, 0.0, 0.024, 0.022], [0.026, 0.022, 0.018, 0.022]
    seen = [(0.0026, [0.02, 0.04, 0.02, 0.04]), (0.00215, next_to_it), (0.002, near), (0.0018, [0.0] * 4)]
    found = smallest_found(device, inputs, _searched(device, inputs, "x10", seen), device.ranges[1])
    assert found is not None
    assert found.value is not None
    assert float(found.value.nominal_value) == pytest.approx(0.0019)
    lines = {line.source: line for line in inputs.budget(found.value)}
    noise, bracket = (
        lines["scatter of the display where it begins to read"],
        lines["interval between reading and not reading"],
    )
    shown = [value for value in near if value]
    squares = 2 * statistics.variance(shown) + 3 * statistics.variance(next_to_it)
    assert noise.contribution == pytest.approx(0.1 * math.sqrt(squares / 5) / 2)
    assert (noise.degrees_of_freedom, noise.distribution) == (5, "normal")
    assert bracket.contribution == pytest.approx(1e-4 / math.sqrt(3))
    assert noise.unit == bracket.unit == "A"


def test_a_power_factor_that_falls_to_its_default(power_device: Device, bench: Bench) -> None:
    """16 mA at power factor 0.44 is seen as 0 A and 1 (common practice, no published source)."""
    inputs = InputQuantities(bench, RUN_DATE)
    points = [
        observed("x1", 0.016, [0.0] * 4, direction="search", power_factor=0.44, also={"displayed_power_factor": 1.0}),
        observed(
            "x1", 0.026, [0.026] * 4, direction="search", power_factor=0.44, also={"displayed_power_factor": 0.44}
        ),
    ]
    values = [point_values(power_device, inputs, p) for p in points]
    found = smallest_found(power_device, inputs, values, power_device.ranges[0])
    assert found is not None
    assert found.power_factor_from is not None
    assert float(found.power_factor_from.nominal_value) == pytest.approx(0.021)


def test_a_range_that_does_not_read_its_smallest_claimed_current_fails(device: Device, bench: Bench) -> None:
    points = [observed("x1", 1.0, [0.0] * 4, direction="search"), observed("x10", 0.1, [1.0] * 4, direction="search")]
    outcome = evaluate_ranges(device, bench, points, [], RUN_DATE)
    assert [r.verdict for r in outcome.ranges] == ["fail", "pass"]
    assert in_words(outcome.reasons) == ("x1: reads at none of the currents tried, 1 A is claimed",)


@pytest.mark.parametrize(("silent", "reads", "remarked"), [(0.0019, 0.0021, False), (0.0039, 0.0041, True)])
def test_a_display_that_begins_elsewhere_than_described_is_remarked(
    device: Device, bench: Bench, silent: float, reads: float, remarked: bool
) -> None:
    """Described are 20 mA; ten turns with a tenth of the scale show 20 mA from 2 mA on (elementary)."""
    seen = [(reads, [0.021] * 4), (silent, [0.0] * 4)]
    points = [observed("x10", i, shown, direction="search") for i, shown in seen]
    found = evaluate_ranges(device, bench, points, [], RUN_DATE).ranges[1]
    assert found.smallest is not None
    assert "interval between reading and not reading" in {line.source for line in found.smallest.budget}
    told = [remark for remark in found.remarks if remark.code == "smallest-not-as-described"]
    assert bool(told) is remarked
    if remarked:
        assert (told[0].values["current"], told[0].values["described"]) == pytest.approx((0.004, 0.002))


@pytest.mark.parametrize(
    ("reads", "silent", "verdict", "told"),
    [
        (
            2.0,
            0.5,
            None,
            "1 A, was not shown: the display reads at 2 A, not at 500 mA, and the shelf holds nothing between",
        ),
        (2.0, None, None, "1 A, was not shown: the display reads at 2 A, and the shelf holds nothing between"),
        (3.0, 2.0, "fail", "reads from"),
        (0.9, 0.5, "pass", ""),
    ],
)
def test_what_no_load_on_the_shelf_could_show_is_not_shown(
    device: Device, reads: float, silent: float | None, verdict: str | None, told: str
) -> None:
    """It fails where a load at or above the current claimed is not read; between two loads nobody looked."""
    shelf = 'profile = "person"\nshelf = [{ name = "lamp", current = "0.5 A" }, { name = "heater", current = "2 A" }]'
    by_hand = parse_bench(
        BENCH.replace('profile = "scpi_load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"', shelf), "bench.toml"
    )
    points = [observed("x1", reads, [reads] * 4, direction="search")]
    points += [] if silent is None else [observed("x1", silent, [0.0] * 4, direction="search")]
    outcome = evaluate_ranges(device, by_hand, points, [], RUN_DATE)
    found = outcome.ranges[0].smallest
    assert found is not None
    assert found.verdict == verdict
    assert any(told in line for line in (*in_words(outcome.reasons), *in_words(outcome.ranges[0].remarks), ""))
    assert outcome.ranges[0].verdict == ("fail" if verdict == "fail" else "pass")


# Held


def _held(device: Device, inputs: InputQuantities, errors: Sequence[float], every: float = 60.0) -> list[PointValues]:
    points = []
    for i, error in enumerate(errors):
        point = observed("x1", 100.0, [100.0 * (1 + error)] * 4, direction="hold", name=f"hold {i}")
        pairs = tuple(
            ReadingPair(p.reference, p.displayed, (i * every, i * every + 0.1), (i * every, i * every + 0.1))
            for p in point.pairs
        )
        points.append(ObservedPoint("x1", point.name, "hold", 100.0, point.reference_scale, pairs))
    return [point_values(device, inputs, p) for p in points]


def test_drift_is_the_slope_of_a_least_squares_line(device: Device, bench: Bench) -> None:
    """scipy.stats.linregress as an independent library; JCGM 100:2008, H.3 for what it is."""
    rng = np.random.default_rng(5)
    errors = 0.001 + 0.0004 * np.arange(11) / 10 + rng.normal(0, 2e-5, 11)
    inputs = InputQuantities(bench, RUN_DATE)
    found = evaluated_endurance(device, inputs, _held(device, inputs, list(errors)), device.ranges[0])
    assert found is not None
    line = stats.linregress(np.arange(11) * 60.0, errors)
    assert found[0].drift.value == pytest.approx(line.slope * 600, rel=1e-6)
    assert found[0].drift.standard_uncertainty == pytest.approx(line.stderr * 600, rel=1e-6)
    assert found[0].drift.coverage_factor == pytest.approx(stats.t.ppf(0.97725, 9), rel=1e-6)
    assert found[0].verdict == "pass"


def test_what_was_held_how_long_and_how_hot_the_secondary_ran(device: Device, loop_bench: Bench) -> None:
    """Times, first and last error and the largest of the secondary currents as they were read (elementary); a line through three points."""
    inputs = InputQuantities(loop_bench, RUN_DATE)
    points = []
    for i, (error, secondary) in enumerate(((0.001, 0.0990), (0.003, 0.1005), (0.002, 0.0995))):
        point = observed(
            "x1", 100.0, [100.0 * (1 + error)] * 2, direction="hold", also={"secondary_current": secondary}
        )
        times = (60.0 * i, 60.0 * i + 0.2)
        pairs = tuple(p._replace(reference_times=times, displayed_times=times) for p in point.pairs)
        points.append(point_values(device, inputs, dataclasses.replace(point, pairs=pairs, name=f"hold {i}")))
    result, reasons = evaluated_endurance(device, inputs, points, device.ranges[0]) or (None, [])
    assert result is not None
    assert (result.seconds, result.points, result.largest_secondary_current) == (120.0, 3, 0.1005)
    assert (result.current, result.first_error, result.last_error) == pytest.approx((100.0, 0.001, 0.002))
    # The slope of three equally spaced points is that between the first and the last; the middle one is off the line by 1.5 / 1000.
    assert result.drift.value == pytest.approx(0.001)
    assert result.drift.standard_uncertainty == pytest.approx(0.0015 * math.sqrt(2 / 3) * math.sqrt(2), rel=1e-6)
    assert (result.drift.degrees_of_freedom, result.verdict, reasons[0].code) == (1, "fail", "drift")
    assert evaluated_endurance(device, inputs, points[:2], device.ranges[0]) is None
    assert evaluated_endurance(device, inputs, points, device.ranges[1]) is None


def test_drift_beyond_the_claim_fails(device: Device, bench: Bench) -> None:
    inputs = InputQuantities(bench, RUN_DATE)
    found = evaluated_endurance(device, inputs, _held(device, inputs, [0.002 * i for i in range(7)]), device.ranges[0])
    assert found is not None
    result, reasons = found
    assert result.verdict == "fail"
    assert re.match(r"x1: drifts by \(\+1\.200000\d* ± .* % in 360 s", in_words(reasons)[0])


# The bench itself


def _checks(ratio: float, scatter: Sequence[float] = (0.0, 1e-5, -1e-5)) -> list[ObservedPoint]:
    return [
        observed("x1", 5.0, [5.0 * ratio * (1 + s)] * 4, direction="check", name=f"check {i}")
        for i, s in enumerate(scatter)
    ]


def test_a_bench_as_it_was_passes_and_one_that_moved_does_not(device: Device, checked_bench: Bench) -> None:
    """ISO/IEC 17043: E_n = (x - X) / sqrt(U_lab^2 + U_ref^2), within 1 is satisfactory; sums of the sheets by hand."""
    inputs = InputQuantities(checked_bench, RUN_DATE)
    drift = 2e-4 * 182 / 365.25
    bounds = [8e-4 + 2e-4 / 0.25, drift, 5e-7 / 0.25]
    relative = math.sqrt(sum(b * b for b in bounds) / 3 + 0.00025**2 + 0.0002**2 + 0.00005**2 + 1e-10 / 3)
    for moved, verdict in ((0.0, "pass"), (1.5 * relative, "pass"), (2.6 * relative, "fail")):
        found = evaluated_bench_check(device, checked_bench, inputs, _checks(1.0005 * (1 + moved)))
        assert found is not None
        result, reasons = found
        assert result.deviation.value / 1.0005 == pytest.approx(moved, abs=1e-9)
        assert result.deviation.standard_uncertainty / 1.0005 == pytest.approx(relative, rel=3e-3)
        assert result.verdict == verdict
        assert result.normalized_error == pytest.approx(
            moved / (result.deviation.coverage_factor * relative), rel=0.01, abs=1e-6
        )
        assert bool(reasons) == (verdict == "fail")
        # The criterion is the published one, whatever the bench's rule: half of U is left to none of these.
        assert (result.normalized_error <= 1) == (verdict == "pass")
        assert "ISO/IEC 17043" in result.criterion


def test_a_run_of_checks_alone_has_a_verdict_and_accuses_no_range(device: Device, checked_bench: Bench) -> None:
    outcome = evaluate_ranges(device, checked_bench, _checks(1.0005), [], dt.date(2026, 7, 2))
    assert outcome.verdict == "pass"
    assert outcome.bench_check is not None
    assert not outcome.reasons
    moved = evaluate_ranges(device, checked_bench, _checks(1.01), [], dt.date(2026, 7, 2))
    assert moved.verdict == "fail"
    assert "do not verify anything on this bench today" in in_words(moved.reasons)[0]


def test_a_ratio_established_with_this_reference_leaves_its_lasting_errors_out(
    device: Device, checked_bench: Bench
) -> None:
    """JCGM 100:2008, F.1.2.4: what acts alike on both of two results drops out of their difference."""
    standard = checked_bench.check_standard
    assert standard is not None
    here = checked_bench.model_copy(update={"check_standard": standard.model_copy(update={"established_here": True})})
    spread, budgets = {}, {}
    for bench in (checked_bench, here):
        found = evaluated_bench_check(device, bench, InputQuantities(bench, RUN_DATE), _checks(1.0005))
        assert found is not None
        spread[bench is here] = found[0].deviation.standard_uncertainty / 1.0005
        budgets[bench is here] = {line.source: line.contribution / 1.0005 for line in found[0].budget}
    drift = 2e-4 * 182 / 365.25
    resolution = 5e-7 / 0.25
    left = math.sqrt((drift**2 + resolution**2) / 3 + 0.0002**2 + 0.00005**2 + 1e-10 / 3)
    assert spread[True] == pytest.approx(left, rel=2e-3)
    assert spread[False] > 2 * left
    assert budgets[False]["reference, 1 A range: gain"] == pytest.approx(8e-4 / math.sqrt(3), rel=2e-3)
    assert "reference, 1 A range: gain" not in budgets[True]
    assert budgets[True]["check standard: established ratio"] == pytest.approx(0.0002, rel=2e-3)
    assert budgets[True]["reference: drift since calibration"] == pytest.approx(drift / math.sqrt(3), rel=2e-3)


def test_a_run_without_a_point_is_no_pass(device: Device, bench: Bench) -> None:
    skipped = [
        ObservedRange(r.name, 1.0, "range switch", (f"{r.name} up 1 A: nothing is read",)) for r in device.ranges
    ]
    assert evaluate_ranges(device, bench, [], skipped, RUN_DATE).verdict == "fail"
    searched = [
        ObservedRange(r.name, 1.0, "range switch", (), (f"{r.name} search 1: nothing is read",)) for r in device.ranges
    ]
    outcome = evaluate_ranges(device, bench, [], searched, RUN_DATE)
    assert outcome.verdict == "fail"
    assert in_words(outcome.reasons)[0] == "x1: search 1 left out, nothing is read"
    assert evaluate_ranges(device, bench, [], [], RUN_DATE).verdict == "fail"


def test_one_reading_a_point_is_enough_for_a_search(device: Device, bench: Bench) -> None:
    inputs = InputQuantities(bench, RUN_DATE)
    seen = [(1.0, [1.0]), (0.0202, [0.02]), (0.0198, [0.0])]
    found = smallest_found(device, inputs, _searched(device, inputs, "x1", seen), device.ranges[0])
    assert found is not None
    assert inputs.stated(found.value).expanded_uncertainty > 0
