"""The decision rule of a run, and its global risks under shared risk."""

import dataclasses

import pytest

from harness.evaluation.conformity.decision import decision_rule
from harness.evaluation.range_evaluation import evaluate_ranges
from harness.files.decision_rule import Decision
from harness.files.device import Claim, Device
from harness.files.loading import parse_bench
from tests.harness.evaluation.conftest import BENCH, RUN_DATE, sweep
from tests.rejudged import rejudged

CLAIM = Claim(of_reading="1 %")
FIVE_PERCENT = Decision(rule="false_accept", false_accept_probability="5 %")


def test_the_results_hold_the_rule_as_the_bench_file_states_it() -> None:
    """ISO/IEC 17025:2017, 7.8.6.2 c): what was agreed beforehand, key by key; what belongs to another rule is not there."""
    fields = {
        "rule": "shared_risk",
        "verdicts": "four",
        "coverage_probability": 0.99,
        "prior_mean": "20 %",
        "prior_standard_deviation": "50 %",
        "greatest_consumer_risk": "2 %",
        "least_test_uncertainty_ratio": 3,
    }
    told = decision_rule(Decision.model_validate(fields), CLAIM, ())
    assert (told.rule, told.coverage_probability, told.least_test_uncertainty_ratio) == ("shared_risk", 0.99, 3.0)
    assert (told.prior_mean, told.prior_standard_deviation, told.greatest_consumer_risk) == (0.2, 0.5, 0.02)
    assert (told.verdicts, told.guard_factor, told.false_accept_probability) == ("four", None, None)
    assert (told.global_consumer_risk, told.global_producer_risk) == (None, None)
    centred = decision_rule(
        Decision.model_validate({"rule": "shared_risk", "prior_standard_deviation": "50 %"}), CLAIM, ()
    )
    assert centred.prior_mean == 0.0
    banded = decision_rule(Decision(guard_factor=1.5), CLAIM, ())
    assert (banded.verdicts, banded.guard_factor, banded.prior_mean) == ("two", 1.5, None)
    assert decision_rule(FIVE_PERCENT, CLAIM, ()).false_accept_probability == 0.05


def test_global_risk_of_the_resistors_as_a_run(device: Device) -> None:
    """JCGM 106:2012, 9.5.3.2: u0 = 0.6 T, um = 0.2 T, A = 0.9 T: RC = 1 %, RP = 7 %; one point scaled to those, of a smaller limit."""
    text = BENCH + '[decision]\nrule = "shared_risk"\nprior_standard_deviation = "60 %"\n'
    bench = parse_bench(text, "bench.toml")
    outcome = evaluate_ranges(device, bench, sweep(device, lambda r, i: i * (10 if r == "x10" else 1)), (), RUN_DATE)
    rng = outcome.ranges[0]
    error = rejudged(rng.points[0].ratio_error, limit=0.02, acceptance_limit=0.018, standard_uncertainty=0.004)
    resistor = dataclasses.replace(rng.points[0], ratio_error=error)
    told = decision_rule(bench.decision, CLAIM, (dataclasses.replace(rng, points=(resistor,)),))
    assert told.global_consumer_risk == pytest.approx(0.00987829, abs=1e-7)
    assert told.global_producer_risk == pytest.approx(0.06902651, abs=1e-7)
    assert decision_rule(Decision(), CLAIM, outcome.ranges).global_consumer_risk is None


def test_tables_from_memory_are_named() -> None:
    assert decision_rule(Decision(), CLAIM, ()).memory == ()
    claim = Claim(accuracy_class="0.5", power_class="EN 50470-3 B")
    assert [source.partition(",")[0] for source in decision_rule(Decision(), claim, ()).memory] == ["EN 50470-3"]
