"""Effective turns: what cancels between ranges at equal ampere-turns, what does not, and which whole number they are."""

import math

import GTC
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.evaluation.diagnosis.causes import shipped_causes
from harness.evaluation.range_evaluation import RangesOutcome, evaluate_ranges
from harness.evaluation.ratio.effective_turns import NO_WHOLE_NUMBER, SHAPE, compare_with_base, probability_of_nearest
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.gum_formulas import covariance
from harness.evaluation.uncertainty.lack_of_fit import departure
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.bench import Bench
from harness.files.device import Device
from harness.record.observations import ObservedPoint
from harness.results import EffectiveTurns
from tests.harness.evaluation.conftest import RUN_DATE, observed, recalibrated, sweep


def _outcome(device: Device, bench: Bench, points: list[ObservedPoint]) -> RangesOutcome:
    return evaluate_ranges(device, bench, points, [], RUN_DATE)


def _ten(device: Device, bench: Bench, points: list[ObservedPoint]) -> EffectiveTurns:
    found = _outcome(device, bench, points).ranges[1].effective_turns
    assert found is not None
    return found


def _exact(bench: Bench) -> Bench:
    """With a reference transformer that has no uncertainty."""
    return recalibrated(bench, [{"current": at, "uncertainty": "0 %"} for at in ("0.1 A", "100 A")])


def _bound(half_width: float) -> object:
    return GTC.ureal(0.0, GTC.tb.uniform(half_width))


def test_one_common_current_as_another_library_has_it(device: Device, bench: Bench) -> None:
    """GTC 1.5: 5 A on both ranges, on one range of the reference: its gain, offset and path cancel in the turns.

    What does not cancel is the meter's own error, which may differ at ten times the ampere-turns by what its claim allows:
    1 % and two display steps at ten turns, taken for both.
    """
    ten = _ten(device, bench, [observed(r, 5.0, [d] * 4, direction="single") for r, d in (("x1", 5.01), ("x10", 49.6))])
    gain, offset, factor = _bound(8e-4), _bound(2e-4), GTC.ureal(20.0, 20 * 0.00025)
    ratios = [
        (shown + _bound(0.0005)) * scale / (factor * (0.25 * (1 + gain) + offset + _bound(0.5e-6)))
        for shown, scale in ((5.01, 1.0), (49.6, 0.1))
    ]
    limit = 0.01 + 0.002 * 0.1 / 5.0
    there = 10 * ratios[1] / ratios[0] * (1 + _bound(limit) + _bound(limit))
    assert ten.value == pytest.approx(there.x, rel=1e-9)
    assert ten.expanded_uncertainty / ten.coverage_factor == pytest.approx(there.u, rel=1e-6)
    assert (ten.method, ten.compared) == ("other ampere-turns", 1)
    # Both ranges to 1 %, taken as rectangles.
    assert there.u == pytest.approx(10 * 0.01 * math.sqrt(2 / 3), rel=0.03)


def test_equal_ampere_turns_as_another_library_has_them(device: Device, bench: Bench) -> None:
    """GTC 1.5: three ampere-turns, each pair on two scales of the reference; least-squares weights of the whole covariance.

    All gains and offsets of scales, what both add in one sign, and drift are shared between the ranges as they are between the readings.
    """
    currents = {"x1": (1.5, 12.0, 50.0), "x10": (0.15, 1.2, 5.0)}
    shown = {"x1": (1.5, 12.004, 50.01), "x10": (1.5, 12.001, 50.02)}
    points = [observed(r, i, [d] * 4) for r in shown for i, d in zip(currents[r], shown[r], strict=True)]
    ten = _ten(device, _exact(bench), points)
    gain = {0.01: _bound(6e-4), 0.1: _bound(6e-4), 1.0: _bound(8e-4), 10.0: _bound(1e-3)}
    offset = {0.01: _bound(2e-6), 0.1: _bound(2e-5), 1.0: _bound(2e-4), 10.0: _bound(2e-3)}
    both = {s: _bound(math.sqrt(2 * 2e-4 * a)) for s, a in ((0.01, 6e-4), (0.1, 6e-4), (1.0, 8e-4), (10.0, 1e-3))}
    step = {0.01: 1e-8, 0.1: 1e-7, 1.0: 1e-6, 10.0: 1e-5}
    drift = _bound(2e-4 * 182 / 365.25)
    ratios: dict[str, list] = {"x1": [], "x10": []}
    for rng, scale in (("x1", 1.0), ("x10", 0.1)):
        for current, displayed in zip(currents[rng], shown[rng], strict=True):
            full = next(s for s in step if 20 * s >= 1.05 * current)
            at = current / 20
            read = at * (1 + gain[full] + both[full] * math.sqrt(full / at) + drift) + offset[full]
            read += _bound(step[full] / 2)
            ratios[rng].append((displayed + _bound(0.0005)) * scale / (20 * read))
    quotients = [ten / one for ten, one in zip(ratios["x10"], ratios["x1"], strict=True)]
    spread = np.array([[GTC.get_covariance(a, b) for b in quotients] for a in quotients])
    pull = np.linalg.solve(spread, np.ones(3))
    assert np.all(pull > 0)
    there = 10 * sum(float(w) * q for w, q in zip(pull / pull.sum(), quotients, strict=True))
    assert ten.value == pytest.approx(there.x, rel=1e-7)
    assert ten.expanded_uncertainty / ten.coverage_factor == pytest.approx(there.u, rel=1e-4)
    assert (ten.method, ten.compared) == ("equal ampere-turns", 3)


def test_a_steep_curve_between_nearly_equal_ampere_turns_is_in_the_uncertainty(device: Device, bench: Bench) -> None:
    """A core near saturation whose error falls by 6 % in an eighth of a decade; ten turns were read 1.9 % above the one.

    Power law: a factor of 0.94 over 60 to 80 A is an exponent of log 0.94 / log (80 / 60), so 1.9 % more make a factor of
    1.019 to that exponent, here -0.40 %.
    """
    exponent = math.log(0.94) / math.log(80 / 60)

    def shown(ampere_turns: float) -> float:
        return round(ampere_turns * (ampere_turns / 60) ** exponent, 3)

    points = [observed("x1", i, [shown(i)] * 4) for i in (60.0, 80.0)]
    ten = _ten(device, _exact(bench), [*points, observed("x10", 8.152, [shown(81.52)] * 4)])
    assert (ten.method, ten.compared) == ("equal ampere-turns", 1)
    assert ten.value == pytest.approx(10 * 1.019**exponent, rel=1e-4)
    assert abs(ten.value - 10) < ten.expanded_uncertainty


def _curved(rng: str, current: float) -> float:
    """A meter whose ratio error falls by 0.33 % per decade of ampere-turns, as an ordinary transformer's does (value from memory)."""
    ampere_turns = current * (10 if rng == "x10" else 1)
    return ampere_turns * (1 + 0.0033 * math.log10(ampere_turns / 100))


def test_the_meters_own_curve_cancels(device: Device, bench: Bench) -> None:
    """A curve that is a function of ampere-turns is the same on every range (IEC 61869-2: of the part of rated current)."""
    outcome = _outcome(device, bench, sweep(device, _curved))
    ten = outcome.ranges[1].effective_turns
    assert ten is not None
    assert abs(ten.value - 10) < 0.0005
    assert ten.expanded_uncertainty < 0.01
    assert ten.holds_whole_number
    assert not outcome.contradictions


def test_a_departure_that_chance_could_explain_counts_all_the_same(device: Device, bench: Bench) -> None:
    """What comparisons scatter beyond their inputs is in U before a test would be sure of it (Paule and Mandel 1982, as below).

    Five comparisons show a departure as large as U in few cases; that it is seldom shown does not make it nothing.
    """

    def shown(rng: str, current: float) -> float:
        if rng == "x1":
            return current
        rung = round(2 * math.log10(10 * current))
        return 10 * current * (1 + 7e-4 * (-1) ** rung)

    inputs, points = InputQuantities(bench, RUN_DATE), sweep(device, shown)
    base, own = ((r, [point_values(device, inputs, p) for p in points if p.range == r.name]) for r in device.ranges)
    found = compare_with_base(inputs, own, base, 0.01)
    assert found is not None
    ratios = [c.ratio for c in found.compared]
    values = np.array([r.nominal_value for r in ratios])
    seen = departure(values, np.ones((len(values), 1)), covariance(ratios))
    assert seen.chi_squared > seen.degrees_of_freedom
    assert not seen.significant
    assert found.apart.std_dev > 1e-4
    assert inputs.sources[found.apart].distribution == "normal"
    # Gauss and Markov: no other weights with a sum of one make the variance of the mean smaller, the departure in it.
    variance = covariance(ratios) + seen.standard_deviation**2 * np.eye(len(ratios))
    weights = np.array(found.weights)
    assert weights.sum() == pytest.approx(1)
    assert found.apart.std_dev == pytest.approx(seen.standard_deviation * np.linalg.norm(weights))
    for n in range(len(ratios)):
        other = weights + 0.01 * (np.eye(len(ratios))[n] - 1 / len(ratios))
        assert other @ variance @ other > weights @ variance @ weights


@pytest.mark.parametrize("ampere_turns", [(2.0, 8.0, 80.0), (1.5, 4.0, 11.0, 30.0, 80.0)])
def test_a_current_added_on_one_range_alone_is_no_turn(
    device: Device, bench: Bench, ampere_turns: tuple[float, ...]
) -> None:
    """The module's supply of 50 mA through ten turns adds a part that falls with the current (elementary): without it ten are left."""
    points = [observed("x1", i, [i] * 4) for i in ampere_turns]
    points += [observed("x10", i / 10, [round(i + 0.05, 3)] * 4) for i in ampere_turns]
    ten = _ten(device, _exact(bench), points)
    assert (ten.method, ten.compared) == ("equal ampere-turns", len(ampere_turns))
    assert ten.value == pytest.approx(10.0, abs=2e-4)
    assert ten.expanded_uncertainty > 1e-3


def _difference(device: Device, bench: Bench, own: float, base: tuple[float, ...]) -> float:
    """Standard uncertainty of what may differ between ten turns at `own` amperes and a straight base range."""
    inputs = InputQuantities(bench, RUN_DATE)
    one, ten = device.ranges
    values = [point_values(device, inputs, observed("x1", i, [i] * 4)) for i in base]
    found = compare_with_base(
        inputs, (ten, [point_values(device, inputs, observed("x10", own, [10 * own] * 4))]), (one, values), 0.01
    )
    assert found is not None
    return float(found.compared[0].difference.uncertain.std_dev)


def test_what_may_differ_between_places_is_bounded_by_the_curve_and_by_its_roughness(
    device: Device, bench: Bench
) -> None:
    """An ordinary curve changes by 0.3 % a decade (value from memory), taken as a rectangle over 1.9 %. Between two places of the base range
    three independent departures of 0.05 % meet, the base range's with their shares (JCGM 100:2008, 5.1.2, and 4.3.7)."""
    nearly = _difference(device, bench, 6.114, (60.0, 90.0))
    assert nearly == pytest.approx(0.003 * math.log10(1.019) / math.sqrt(3), rel=1e-6)
    share = GTC.log(30 / 20) / GTC.log(60 / 20)
    own, low, high = (GTC.ureal(0.0, 5e-4) for _ in range(3))
    assert _difference(device, bench, 3.0, (20.0, 60.0)) == pytest.approx(
        (own - (1 - share) * low - share * high).u, rel=1e-6
    )


def test_a_point_that_stands_still_does_not_rule(device: Device, bench: Bench) -> None:
    """A display frozen 0.4 % low by clipping, four times the very same, must not outweigh eight points that scatter."""
    draw = np.random.default_rng(3)
    points = []
    for rng, turns in (("x1", 1), ("x10", 10)):
        for ampere_turns in (1.5, 4.0, 11.0, 30.0, 80.0):
            displayed = ampere_turns * (1 + 2e-4 * draw.standard_normal(4))
            frozen = rng == "x10" and ampere_turns == 80.0
            points.append(
                observed(rng, ampere_turns / turns, [79.68] * 4 if frozen else np.round(displayed, 3).tolist())
            )
    ten = _ten(device, bench, points)
    assert abs(ten.value - 10) < 0.015
    assert abs(ten.value - 10) < ten.expanded_uncertainty


def test_loads_from_a_shelf_are_compared_between_ampere_turns(device: Device, bench: Bench) -> None:
    """No ampere-turns in common: 3 A on ten turns lie between 20 and 60 A on one, where the curve changes by 0.16 %."""
    points = [observed("x1", i, [round(_curved("x1", i), 3)] * 4) for i in (2.0, 20.0, 60.0)]
    points += [observed("x10", i, [round(_curved("x10", i), 3)] * 4) for i in (0.6, 3.0)]
    ten = _ten(device, bench, points)
    assert (ten.method, ten.compared) == ("between ampere-turns", 2)
    assert abs(ten.value - 10) < 0.002
    # No less than what the curve may miss where it is read, a third of a decade from either side.
    assert ten.expanded_uncertainty > 10 * 0.0033 * math.log10(60 / 30) / math.sqrt(3)


def test_comparisons_between_two_places_share_the_curve_there(device: Device, bench: Bench) -> None:
    """A curve that bends between 20 and 60 A, as a core's does near saturation: all comparisons miss it to the same side, so many
    of them know no more than one. Its bend, level up to 40 A and straight from there, leaves 0.15 % of a line.
    """

    def bent(ampere_turns: float) -> float:
        fallen = max(0.0, math.log(ampere_turns / 40) / math.log(60 / 40))
        return round(ampere_turns * (1 - 0.0024 * fallen), 3)

    base = [observed("x1", i, [bent(i)] * 4) for i in (2.0, 20.0, 60.0)]
    one = _ten(device, bench, [*base, observed("x10", 3.5, [bent(35.0)] * 4)])
    currents = (3.3, 3.35, 3.4, 3.45, 3.5, 3.55, 3.6, 3.65, 3.7)
    many = _ten(device, bench, [*base, *(observed("x10", i, [bent(10 * i)] * 4) for i in currents)])
    assert (many.method, many.compared) == ("between ampere-turns", len(currents))
    assert many.expanded_uncertainty > 0.9 * one.expanded_uncertainty
    assert abs(many.value - 10) < many.expanded_uncertainty


def test_two_readings_that_happen_to_agree_do_not_make_a_curve_straight(device: Device, bench: Bench) -> None:
    """Meters off a smooth curve by what the shipped causes call unmodelled, independently at every ampere-turns: U holds them."""
    assert shipped_causes().unmodelled.shape == SHAPE
    draw, inside = np.random.default_rng(11), 0
    for _ in range(30):
        places = (("x1", 2.0), ("x1", 20.0), ("x1", 60.0), ("x10", 3.5))
        points = []
        for rng, current in places:
            shown = current * (10 if rng == "x10" else 1) * (1 + SHAPE * draw.standard_normal())
            points.append(observed(rng, current, [round(shown, 3)] * 4))
        ten = _ten(device, _exact(bench), points)
        inside += abs(ten.value - 10) <= ten.expanded_uncertainty
    assert inside >= 26


def test_the_base_range_has_a_reading_factor_and_no_turns(device: Device, bench: Bench) -> None:
    """common practice, no published source: a meter reading 3 % high on both ranges has ten turns on the one, and 3 % is its gain."""
    base, ten = _outcome(device, bench, sweep(device, lambda r, i: 1.03 * i * (10 if r == "x10" else 1))).ranges
    assert base.effective_turns is None
    assert base.reading_factor is not None
    assert base.reading_factor.value == pytest.approx(1.03, abs=0.001)
    assert ten.effective_turns is not None
    assert ten.effective_turns.value == pytest.approx(10.0, abs=0.005)


def test_the_reading_factor_as_another_library_has_it(device: Device, bench: Bench) -> None:
    """GTC 1.5: sum of indicated over sum of reference currents, on one range of the reference."""
    points = [observed("x1", i, [d] * 4) for i, d in ((6.0, 6.01), (12.0, 12.03))]
    factor = _outcome(device, _exact(bench), points).ranges[0].reading_factor
    gain, offset, both = _bound(8e-4), _bound(2e-4), _bound(math.sqrt(2 * 8e-4 * 2e-4))
    drift = _bound(2e-4 * 182 / 365.25)
    read = sum(
        20 * (i / 20 * (1 + gain + both * math.sqrt(20 / i) + drift) + offset + _bound(0.5e-6)) for i in (6.0, 12.0)
    )
    there = sum(d + _bound(0.0005) for d in (6.01, 12.03)) / read
    assert factor is not None
    assert factor.value == pytest.approx(there.x, rel=1e-9)
    assert factor.standard_uncertainty == pytest.approx(there.u, rel=1e-6)


def test_a_base_range_that_is_wrong_itself_is_not_compared_with(device: Device, bench: Bench) -> None:
    """The base turn doubled: the ten turns are right, and must not be reported as five."""
    base, ten = _outcome(device, bench, sweep(device, lambda r, i: i * (10 if r == "x10" else 2))).ranges
    assert base.reading_factor is not None
    assert base.reading_factor.value == pytest.approx(2.0, abs=0.002)
    assert base.verdict == "fail"
    assert ten.effective_turns is None
    assert ten.verdict == "pass"


def test_a_range_that_reads_nothing_has_no_turns(device: Device, bench: Bench) -> None:
    """An open winding reads zero: zero turns, not an error of the program."""
    ten = _ten(device, bench, sweep(device, lambda r, i: 0.0 if r == "x10" else i))
    assert ten.value == 0.0
    assert ten.nearest == 0


def test_a_current_too_small_for_the_display_says_nothing_of_turns(device: Device, bench: Bench) -> None:
    """Below what it shows a display shows nothing, on the base range as on any other."""
    ten = _ten(
        device, bench, sweep(device, lambda r, i: 0.0 if i < 1.5 and r == "x1" else i * (10 if r == "x10" else 1))
    )
    assert ten.value == pytest.approx(10.0, abs=0.005)


@pytest.mark.parametrize(("half_spread", "alone"), [(0.5, True), (2.5, False), (5.0, False)])
def test_scatter_decides_how_probable_the_nearest_is(
    device: Device, bench: Bench, half_spread: float, alone: bool
) -> None:
    """Three pairs with s = 0.1, 0.5 and 1 turn have, with k up to the 4.53 of two degrees of freedom, U near 0.3, 1.3 and 2.6 turns.

    The factor is that of JCGM 100:2008, table G.2; the meter's own error at other ampere-turns makes the degrees of freedom
    more. Only the first keeps nine and eleven out.
    """
    points = [observed("x1", 5.0, [5.0] * 4, direction="single")]
    points.append(observed("x10", 5.0, [50.0 - half_spread, 50.0, 50.0 + half_spread], direction="single"))
    ten = _ten(device, bench, points)
    assert ten.nearest == 10
    combined = math.hypot(half_spread / 5 / 3**0.5, 10 * math.sqrt(2 * 0.01004**2 / 3))
    assert 1.8 * combined < ten.expanded_uncertainty < 4.53 * combined
    assert (ten.probability > 0.99) is alone


@given(st.floats(0.6, 40.0), st.floats(0.001, 3.0), st.floats(2.0, 1000.0))
def test_probability_of_the_nearest_is_bayes_theorem(value: float, expanded: float, freedom: float) -> None:
    """Bayes with scipy's t-distribution: whole numbers alike, one in a thousand for none; never 1."""
    width = expanded / stats.t.ppf(0.975, freedom)
    densities = {
        n: stats.t.pdf((value - n) / width, freedom) / width
        for n in range(max(0, round(value) - 60), round(value) + 60)
    }
    nearest = max(densities, key=lambda n: densities[n])
    whole = (1 - NO_WHOLE_NUMBER) * sum(densities.values())
    expected = (1 - NO_WHOLE_NUMBER) * densities[nearest] / (whole + NO_WHOLE_NUMBER)
    found = probability_of_nearest(value, expanded, freedom, 0.95)
    assert found == pytest.approx(expected, rel=1e-3, abs=1e-6)
    assert found < 1


def test_turns_between_two_whole_numbers_make_neither_probable() -> None:
    """The mean of two numbers leaves each of them half, and far from both neither is believed."""
    assert probability_of_nearest(3.5, 0.9, math.inf, 0.95) == pytest.approx(0.5, abs=0.02)
    assert probability_of_nearest(4.0189, 0.0076, math.inf, 0.95) < 0.5
    assert probability_of_nearest(4.0019, 0.0076, math.inf, 0.95) > 0.999
