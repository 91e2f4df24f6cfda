"""Propagation of distributions: the engine against the tables of JCGM 101, the validation against what it must find."""

import math

import numpy as np
import pytest

from harness.evaluation.range_evaluation import EvaluationOptions, evaluate_ranges
from harness.evaluation.ratio.effective_turns import compare_with_base
from harness.evaluation.ratio.effective_turns import reading_factor as factor_of
from harness.evaluation.ratio.point_errors import point_values
from harness.evaluation.uncertainty.gum_formulas import Contribution
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.evaluation.validation.checks import Check, _validated, validate
from harness.evaluation.validation.models import effective_turns, ratio_error, reading_factor
from harness.evaluation.validation.monte_carlo import (
    BLOCK,
    Draws,
    Simulated,
    numerical_tolerance,
    run_trials,
    symmetric,
)
from harness.files.bench import Bench
from harness.files.device import Device
from tests.harness.evaluation.conftest import RUN_DATE, observed, sweep

TRIALS = 1_000_000


def _sum(parts: list[Contribution], probability: float = 0.95, trials: int = TRIALS) -> Simulated:
    inputs = dict(enumerate(parts))
    return run_trials({"y": lambda draws: sum(draws(n) for n in inputs)}, inputs, trials, probability)["y"]


@pytest.mark.parametrize(
    ("parts", "printed", "unit"),
    [
        ([Contribution(1.0)] * 4, 3.92, 0.005),
        ([Contribution(1.0, "rectangular")] * 4, 3.88, 0.005),
        ([Contribution(1.0, "rectangular")] * 3 + [Contribution(10.0, "rectangular")], 17.0, 0.05),
    ],
    ids=["table 2", "table 3", "table 4"],
)
def test_sums_of_four(parts: list[Contribution], printed: float, unit: float) -> None:
    """JCGM 101:2008, 9.2.2 to 9.2.4, tables 2 to 4: symmetric 95 % intervals +-3.92, +-3.88, +-17.0 at 1e6 trials."""
    found = _sum(parts)
    # Half a unit of the last printed digit, and twice what the trials themselves leave open.
    assert found.high == pytest.approx(printed, abs=unit + 2 * found.high_uncertainty)
    assert found.low == pytest.approx(-printed, abs=unit + 2 * found.low_uncertainty)
    assert found.high_uncertainty < 0.01 * printed


@pytest.mark.parametrize("freedom", [2, 3, 10])
def test_repeated_readings_are_drawn_from_a_t_distribution(freedom: int) -> None:
    """JCGM 101:2008, 6.4.9, and t95 of JCGM 100:2008, table G.2: 4.30, 3.18, 2.23."""
    found = _sum([Contribution(0.1, degrees_of_freedom=freedom)], trials=400_000)
    printed = {2: 4.30, 3: 3.18, 10: 2.23}[freedom]
    assert found.high / 0.1 == pytest.approx(printed, abs=0.005 + 3 * found.high_uncertainty / 0.1)


CORRELATED = 0.9
COMPARISON_LOSS = [
    # r, x1, interval of tables 8 and 9 in 1e-6
    (0.0, 0.0, (0, 150)),
    (0.0, 0.010, (0, 367)),
    (0.0, 0.050, (1590, 3543)),
    (0.9, 0.0, (0, 185)),
    (0.9, 0.010, (13, 398)),
    (0.9, 0.050, (1628, 3555)),
]


@pytest.mark.parametrize(("correlation", "x1", "printed"), COMPARISON_LOSS)
def test_comparison_loss_in_power_calibration(correlation: float, x1: float, printed: tuple[float, float]) -> None:
    """JCGM 101:2008, 9.4, tables 8 and 9: dY = X1^2 + X2^2, u = 0.005 each, x2 = 0; shortest 95 % intervals in 1e-6.

    A model whose linearisation says nothing at x1 = 0: the engine must evaluate the model itself.
    """
    inputs = {"a": Contribution(1.0), "b": Contribution(1.0)}

    def loss(draws: Draws) -> np.ndarray:
        first = x1 + 0.005 * draws("a")
        second = 0.005 * (correlation * draws("a") + math.sqrt(1 - correlation**2) * draws("b"))
        return np.asarray(first**2 + second**2) * 1e6

    values = np.sort(np.concatenate([loss(Draws(inputs, block)) for block in range(TRIALS // BLOCK)]))
    inside = round(0.95 * TRIALS)
    first = int(np.argmin(values[inside:] - values[:-inside]))
    # The ends of a shortest interval are noisy: the table's own, of as many trials, as much as these.
    spread = 0.03 * (printed[1] - printed[0])
    assert values[first] == pytest.approx(printed[0], abs=spread)
    assert values[first + inside] == pytest.approx(printed[1], abs=spread)


@pytest.mark.parametrize(
    ("uncertainty", "digits", "tolerance"),
    [(0.00035, 2, 5e-6), (0.00035, 1, 5e-5), (2.0, 1, 0.5), (0.0996, 2, 5e-3), (32e-9, 2, 0.5e-9), (0.0, 2, 0.0)],
)
def test_numerical_tolerance(uncertainty: float, digits: int, tolerance: float) -> None:
    """JCGM 101:2008, 7.9.2 and its examples; 0.0996 becomes 0.10; a table of nanometres; nothing uncertain, nothing tolerated."""
    assert numerical_tolerance(uncertainty, digits) == pytest.approx(tolerance)


def test_an_interval_holds_its_part_of_the_values() -> None:
    """JCGM 101:2008, 7.7.2: p M of the ordered values lie between the ends, as many below as above."""
    values = np.sort(np.random.default_rng(7).exponential(size=10_000))
    low, high = symmetric(values, 0.95)
    assert np.mean(values < low) == pytest.approx(0.025, abs=2e-4)
    assert np.mean(values > high) == pytest.approx(0.025, abs=2e-4)


def test_the_same_numbers_whatever_is_asked_first() -> None:
    """A result may not depend on which other quantities are validated with it."""
    inputs = {n: Contribution(1.0, "rectangular") for n in range(3)}
    both = run_trials({"b": lambda d: d(2) + d(0), "a": lambda d: d(1) * 1.0}, inputs, 40_000, 0.95)
    alone = run_trials({"a": lambda d: d(1) * 1.0}, inputs, 40_000, 0.95)
    assert both["a"] == alone["a"]


@pytest.mark.parametrize(("asked", "blocks"), [(1, 2), (2 * BLOCK + 1, 3)])
def test_as_many_trials_are_told_as_were_made(bench: Bench, asked: int, blocks: int) -> None:
    made = []

    def model(draws: Draws) -> np.ndarray:
        made.append(draws.trials)
        return np.linspace(-1.0, 1.0, draws.trials)

    checks = {"y": Check(0.0, 0.5, 0.95, "1", model)}
    assert validate(checks, InputQuantities(bench, RUN_DATE), asked, 0.95).trials == sum(made) == blocks * BLOCK


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [
        # u = 0.50 to two digits: the tolerance is 0.005; the trials know each end to 0.001.
        (0.0049, 0.0, "agrees"),
        (-0.0049, 0.0049, "agrees"),
        (0.0066, 0.0, "undecided"),
        (0.0, -0.0066, "undecided"),
        (0.0074, 0.0, "differs"),
        (0.0, 0.0074, "differs"),
        (0.0066, -0.0074, "differs"),
    ],
)
def test_an_end_beyond_the_tolerance_by_twice_its_own_uncertainty_differs(
    low: float, high: float, outcome: str
) -> None:
    """JCGM 101:2008, 8.1: both ends within the numerical tolerance of 7.9.2; that the trials are noisy too is judged by 2 u."""
    ends = Simulated(9.0 + low, 11.0 + high, 0.001, 0.001)
    assert _validated("y", Check(10.0, 0.5, 1.0, "1", lambda draws: draws("x")), ends).outcome == outcome


def _noisy(device: Device, deviation: float, pairs: int = 4) -> list:
    draw = np.random.default_rng(11)
    points = []
    for rng, currents in (("x1", (1.5, 5.0, 20.0, 60.0, 100.0)), ("x10", (0.15, 0.5, 2.0, 6.0, 10.0))):
        factor = device.range_named(rng).display_factor
        for c in currents:
            displayed = (c * 1.002 + deviation * c * draw.standard_normal(pairs)) / factor
            points.append(observed(rng, c, np.round(displayed, 3).tolist()))
    return points


def test_models_agree_with_the_results_at_their_centre(device: Device, bench: Bench) -> None:
    """With every input at its estimate (uncertainties a millionth) the models written a second time give what was evaluated."""
    inputs = InputQuantities(bench, RUN_DATE)
    values = [point_values(device, inputs, p) for p in _noisy(device, 1e-3)]
    ranges = [(r, [v for v in values if v.observed.range == r.name]) for r in device.ranges]
    found, factor = compare_with_base(inputs, ranges[1], ranges[0], 0.01), factor_of(ranges[1][1])
    assert found is not None
    assert factor is not None
    still = {variable: Contribution(1e-6 * variable.std_dev) for variable in inputs.sources}
    draws = Draws(still, 0, 100)
    for v in values:
        assert v.model is not None
        assert v.ratio_error is not None
        assert ratio_error(v.model, draws) == pytest.approx(float(v.ratio_error.nominal_value), abs=1e-8)
    turns = effective_turns(10, found, draws)
    assert turns == pytest.approx(float((10 * found.value).nominal_value), rel=1e-8)
    assert reading_factor(ranges[1][1], draws) == pytest.approx(float(factor.nominal_value), rel=1e-8)
    assert turns.std() > 0


def test_a_run_is_validated(device: Device, bench: Bench) -> None:
    """Small relative uncertainties and one scatter a point: the law of propagation is good, and every quantity says so."""
    points = _noisy(device, 2e-5)
    found = evaluate_ranges(device, bench, points, [], RUN_DATE, EvaluationOptions(trials=400_000)).validation
    assert found is not None
    assert found.trials == 400_000
    assert [q.name for q in found.quantities].count("effective turns, x10") == 1
    assert len(found.quantities) == len(points) + 3
    assert [q.name for q in found.quantities if q.outcome == "differs"] == []
    for q in found.quantities:
        assert q.monte_carlo_low == pytest.approx(q.low, abs=0.03 * (q.high - q.low))
    assert evaluate_ranges(device, bench, points, [], RUN_DATE, EvaluationOptions(trials=400_000)).validation == found


def test_what_is_shared_is_drawn_once_a_trial(device: Device, bench: Bench) -> None:
    """The position of the lead, which may change all by 1 %, cancels between two ranges, and does not in a range's own reading factor.

    Drawn twice, it would make the turns' interval as wide as sqrt 2 of that of the factor (JCGM 101:2008, 5.6: joint inputs).
    """
    draw = np.random.default_rng(1)
    points = [
        observed(rng, c, (c / f + 1e-4 * draw.standard_normal(4)).tolist())
        for rng, f in (("x1", 1.0), ("x10", 0.1))
        for c in (60.0 * f, 80.0 * f, 100.0 * f)
    ]
    path = bench.reference_path.model_copy(update={"position": 0.01})
    uncertain = bench.model_copy(update={"reference_path": path})
    validation = evaluate_ranges(device, uncertain, points, [], RUN_DATE, EvaluationOptions(trials=200_000)).validation
    assert validation is not None
    width = {q.name: (q.monte_carlo_high - q.monte_carlo_low) / q.high for q in validation.quantities}
    assert width["effective turns, x10"] < 0.5 * width["reading factor, x1"]


def test_turns_between_two_ampere_turns_are_validated_too(device: Device, bench: Bench) -> None:
    """What the curve may hide between two loads of a shelf is drawn like any other input."""
    points = [observed("x1", c, [shown] * 4) for c, shown in ((2.0, 2.0), (20.0, 20.0), (60.0, 59.9))]
    points += [observed("x10", c, [10 * c] * 4) for c in (3.0, 4.0)]
    validation = evaluate_ranges(device, bench, points, [], RUN_DATE, EvaluationOptions(trials=200_000)).validation
    assert validation is not None
    turns = next(q for q in validation.quantities if q.name == "effective turns, x10")
    assert turns.monte_carlo_low == pytest.approx(turns.low, abs=0.03 * (turns.high - turns.low))
    assert turns.monte_carlo_high == pytest.approx(turns.high, abs=0.03 * (turns.high - turns.low))


def test_two_pairs_a_point_are_too_few_for_the_law_of_propagation(device: Device, bench: Bench) -> None:
    """JCGM 101:2008, 5.11.4 and 6.4.9: one degree of freedom a point; drawn, its t-distributions do not average out as Welch-Satterthwaite has it."""
    found = evaluate_ranges(
        device, bench, _noisy(device, 5e-3, pairs=2), [], RUN_DATE, EvaluationOptions(trials=200_000)
    ).validation
    assert found is not None
    turns = next(q for q in found.quantities if q.name == "effective turns, x10")
    assert turns.outcome == "differs"
    assert turns.monte_carlo_high - turns.monte_carlo_low > turns.high - turns.low


def test_a_slope_far_from_its_linearisation_is_found_out(device: Device, bench: Bench) -> None:
    """An offset of up to 3 % of the reference's range: 1 / (r + o) is no straight line, and the true interval is lopsided."""
    entry = bench.entry("reference")
    ranges = tuple(r.model_copy(update={"of_range": 0.03}) for r in entry.ranges)
    instruments = {**bench.instruments, bench.roles.reference: entry.model_copy(update={"ranges": ranges})}
    wide = bench.model_copy(update={"instruments": instruments})
    found = evaluate_ranges(
        device, wide, _noisy(device, 1e-5), [], RUN_DATE, EvaluationOptions(trials=200_000)
    ).validation
    assert found is not None
    assert {q.outcome for q in found.quantities if "x1 " in q.name} == {"differs"}


def test_a_single_current_is_validated_too(device: Device, bench: Bench) -> None:
    """Without a line the turns are the ratio at the largest current.

    Four pairs are drawn from a t-distribution of 3 degrees of freedom, which is a little wider than Welch-Satterthwaite has it.
    """
    points = [observed(rng, 8.0, [8.0 / f + 0.001 * i for i in range(4)]) for rng, f in (("x1", 1.0), ("x10", 0.1))]
    found = evaluate_ranges(device, bench, points, [], RUN_DATE, EvaluationOptions(trials=200_000)).validation
    assert found is not None
    assert {q.unit for q in found.quantities} == {"1", "turns"}
    for q in found.quantities:
        assert q.monte_carlo_high == pytest.approx(q.high, abs=0.1 * (q.high - q.low))


def test_nothing_is_drawn_unasked(device: Device, bench: Bench) -> None:
    points = sweep(device, lambda name, current: current * (10 if name == "x10" else 1))
    assert evaluate_ranges(device, bench, points, [], RUN_DATE).validation is None


def test_powers_and_the_phase_displacement_behind_them_are_validated(power_device: Device, power_bench: Bench) -> None:
    """A meter turned by one degree: 60 minutes of arc, and cos(60 deg - 1 deg) / cos(60 deg) - 1 = 3.008 % at a power factor of 0.5.

    The trials draw the analyser's own angle, 0.02 deg = 1.2 minutes at most; the rest is small beside it.
    """
    points = []
    for degrees in (0.0, 60.0):
        angle, watts = math.radians(degrees), 230.0 * 10.0
        also = {
            "reference_voltage": 230.0,
            "reference_power": watts * math.cos(angle) / 20,
            "reference_phase": angle,
            "displayed_power": watts * math.cos(angle - math.radians(1.0)),
        }
        points.append(observed("x1", 10.0, [10.0] * 4, power_factor=math.cos(angle), also=also, name=f"at {degrees}"))
    options = EvaluationOptions(trials=100_000)
    found = evaluate_ranges(power_device, power_bench, points, [], RUN_DATE, options).validation
    assert found is not None
    told = {q.name: q for q in found.quantities}
    turned = told["phase displacement, x1 10 A"]
    assert turned.unit == "minutes"
    for low, high in ((turned.low, turned.high), (turned.monte_carlo_low, turned.monte_carlo_high)):
        assert (low + high) / 2 == pytest.approx(60.0, abs=0.1)
        assert 0.9 < (high - low) / 2 < 2.5
    power = told["power error, at 60.0"]
    assert power.unit == "1"
    for low, high in ((power.low, power.high), (power.monte_carlo_low, power.monte_carlo_high)):
        assert (low + high) / 2 == pytest.approx(0.03008, abs=1e-4)
