"""No load: what is indicated with no current, judged as every other error."""

from collections.abc import Sequence

import pytest
from scipy import stats

from harness.claims.limits_of_error import limit_at_no_current
from harness.evaluation.beyond_ratio.no_load_results import evaluated_no_load
from harness.evaluation.range_evaluation import evaluate_ranges
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device
from harness.record.observations import ObservedPoint, ReadingPair
from harness.results import NoLoad
from tests.harness.evaluation.conftest import BENCH, DEVICE, RUN_DATE
from tests.in_words import in_words

COUNTS = 'of_reading = "1 %"\ncounts = 2'
HALF_STEP = 0.0005
"""Amperes; half a display step of the device on x1."""


def zeros(shown: Sequence[float], watts: float = 0.0, volts: float | None = None) -> list[ObservedPoint]:
    """The two zero points of x1, ten minutes apart, every value `shown` at both."""
    also = {"displayed_power": watts} | ({} if volts is None else {"reference_voltage": volts})
    return [
        ObservedPoint(
            "x1",
            f"zero at {when:g} s",
            "zero",
            0.0,
            10.0,
            tuple(
                ReadingPair(0.0, s, (when + i, when + i), (when + i, when + i + 0.1), also) for i, s in enumerate(shown)
            ),
        )
        for when in (0.0, 600.0)
    ]


def device_with(claim: str = COUNTS, power_step: str = "") -> Device:
    text = DEVICE.replace(COUNTS, claim)
    shown = f'resolution = "1 mA"\npower_resolution = "{power_step}"\n'
    return parse_device(text.replace('resolution = "1 mA"\n', shown) if power_step else text, "device.toml")


def judged(points: Sequence[ObservedPoint], decision: str, device: Device | None = None) -> tuple[NoLoad, list[str]]:
    device = device or device_with()
    inputs = InputQuantities(parse_bench(f"{BENCH}[decision]\n{decision}\n", "bench.toml"), RUN_DATE)
    found = evaluated_no_load(device, inputs, [point_values(device, inputs, p) for p in points], device.ranges[0])
    assert found is not None
    return found


GUARDED, FOUR, SIMPLE = 'rule = "guarded"', 'rule = "guarded"\nverdicts = "four"', 'rule = "simple"'
FALSE_ACCEPT = 'rule = "false_accept"\nfalse_accept_probability = "5 %"'


@pytest.mark.parametrize(
    ("milliamperes", "decision", "verdict"),
    [
        (1.5, GUARDED, "pass"),
        (1.6, GUARDED, "fail"),
        (2.0, SIMPLE, "pass"),
        (2.1, SIMPLE, "fail"),
        (-2.1, SIMPLE, "fail"),
        (1.9, FOUR, "conditional pass"),
        (2.4, FOUR, "conditional fail"),
        (2.5, FOUR, "fail"),
        (1.54, FALSE_ACCEPT, "pass"),
        (1.56, FALSE_ACCEPT, "fail"),
    ],
)
def test_the_offset_is_judged_by_the_rule(milliamperes: float, decision: str, verdict: str) -> None:
    """ILAC-G8:09/2019 and JCGM 106:2012, 8.3. 2 steps of 1 mA are claimed where nothing goes with the reading; of a
    rectangle of 1 mA 95.45 % lie within 0.477 mA, and 5 % beyond 0.45 mA on one side (elementary).
    """
    result, reasons = judged(zeros([milliamperes / 1000] * 4), decision)
    assert result.current.limit == pytest.approx(0.002)
    assert result.current.expanded_uncertainty == pytest.approx(0.9545 * HALF_STEP, rel=1e-4)
    assert result.verdict == verdict
    assert bool(reasons) == (verdict != "pass")
    assert all("with no current" in reason for reason in in_words(reasons))


@pytest.mark.parametrize("shown", [0.0, 0.001, 0.002, 0.0024])
def test_its_specific_risk_is_that_of_its_rectangle(shown: float) -> None:
    """JCGM 106:2012, clause 7; scipy.stats as an independent library, the uncertainty from the display step alone."""
    result, _ = judged(zeros([shown] * 4), SIMPLE)
    measured = stats.uniform(shown - HALF_STEP, 2 * HALF_STEP)
    conforms = measured.cdf(0.002) - measured.cdf(-0.002)
    assert result.current.conformity.specific_risk == pytest.approx(
        1 - conforms if shown <= 0.002 else conforms, rel=1e-6, abs=1e-9
    )
    assert result.current.conformity.test_uncertainty_ratio == pytest.approx(0.002 / (0.9545 * HALF_STEP), rel=1e-4)


def test_what_scatters_counts_too() -> None:
    """JCGM 100:2008, 4.2.3 and 4.3.7: standard deviation of the mean beside the rectangle, against scipy.stats.sem."""
    shown = [0.001, 0.002, 0.001, 0.002]
    result, _ = judged(zeros(shown), SIMPLE)
    expected = (HALF_STEP**2 / 3 + stats.sem(shown) ** 2) ** 0.5
    assert result.current.standard_uncertainty == pytest.approx(expected, rel=1e-6)


def test_what_the_display_keeps_back_is_not_indicated(device: Device) -> None:
    """An error is of what is indicated (VIM 4.28); a display that reads from 20 mA on would else never pass at 2 mA."""
    result, _ = judged(zeros([0.0] * 4), GUARDED, device)
    assert result.verdict == "pass"
    inputs_say = evaluate_ranges(device, parse_bench(BENCH, "bench.toml"), zeros([0.0] * 4), [], RUN_DATE)
    zero = inputs_say.ranges[0].zero
    assert zero is not None
    assert zero.expanded_uncertainty > 0.018


@pytest.mark.parametrize(
    ("claim", "milliamperes"),
    [
        (COUNTS, 2.0),
        ('of_reading = "1 %"\nof_range = "0.1 %"\ncounts = 3', 103.0),
        # Nothing is claimed at no current: 1 % of the 1 A that x1 begins at.
        ('of_reading = "1 %"', 10.0),
    ],
)
def test_what_is_claimed_at_no_current(claim: str, milliamperes: float) -> None:
    """The fixed terms of a claim, by hand: 1 mA steps, 0.1 % of 100 A."""
    device = device_with(claim)
    assert limit_at_no_current(device, device.ranges[0]) == pytest.approx(milliamperes / 1000)


def test_a_class_at_no_current_is_taken_where_it_begins() -> None:
    """IEC 61869-2:2012, table 201 (tests/reference/README.md): class 1 allows 3 % at 5 % of the rated current; of 5 A 150 mA."""
    text = (
        DEVICE.replace(COUNTS, 'accuracy_class = "1"')
        .replace('"1 A"', '"5 A"')
        .replace('"100 mA"\nmax', '"0.5 A"\nmax')
    )
    device = parse_device(text, "device.toml")
    assert limit_at_no_current(device, device.ranges[0]) == pytest.approx(0.15)


@pytest.mark.parametrize(
    ("watts", "decision", "verdict"), [(0.1, GUARDED, "pass"), (0.2, GUARDED, "fail"), (0.2, SIMPLE, "pass")]
)
def test_power_with_no_current_is_judged_too(watts: float, decision: str, verdict: str) -> None:
    """2 steps of 0.1 W are claimed; 95.45 % of a rectangle of 0.1 W are within 0.0477 W (JCGM 100:2008, 4.3.7)."""
    device = device_with(f"{COUNTS}\npower_of_reading = '1 %'\npower_counts = 2", "0.1 W")
    result, _ = judged(zeros([0.0] * 4, watts), decision, device)
    assert result.power.limit == pytest.approx(0.2)
    assert result.power.expanded_uncertainty == pytest.approx(0.9545 * 0.05, rel=1e-4)
    assert result.verdict == verdict


def test_a_display_of_power_that_cannot_show_less_is_sound() -> None:
    """0 W on a display of whole watts: 0.46 W is what 2 mA at 230 V make, and half a step is more (common practice, no published source)."""
    result, reasons = judged(zeros([0.0] * 4), GUARDED, device_with(COUNTS, "1 W"))
    assert (result.verdict, reasons) == ("pass", [])
    assert result.power.limit == pytest.approx(1.0)


def test_half_a_kilowatt_with_no_current_is_no_pass() -> None:
    """Nothing is claimed of power: 2 mA at the 240 V read are 0.48 W."""
    result, reasons = judged(zeros([0.0] * 4, 500.0, 240.0), GUARDED)
    assert result.power.limit == pytest.approx(0.48)
    assert result.verdict == "fail"
    assert "shows 500 W with no current" in in_words(reasons)[0]
