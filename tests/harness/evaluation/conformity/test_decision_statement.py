"""What is said of the decision rule, and the global risks of a run under shared risk."""

import dataclasses

import pytest

from harness.evaluation.conformity.decision_statement import decision_rule
from harness.evaluation.range_evaluation import evaluate_ranges
from harness.files.bench import Decision
from harness.files.device import Claim, Device
from harness.files.loading import parse_bench
from tests.harness.evaluation.conftest import BENCH, RUN_DATE, sweep
from tests.rejudged import rejudged

CLAIM = Claim(of_reading="1 %")


def _statement(**fields: object) -> str:
    return decision_rule(Decision.model_validate(fields), CLAIM, ()).statement


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"rule": "simple"}, "does not exceed the limit;"),
        ({"rule": "guarded"}, "less the expanded uncertainty"),
        ({"rule": "guarded", "guard_factor": 0.83}, "w = 0.83 U"),
        ({"rule": "false_accept", "false_accept_probability": "5 %"}, "at most 5 %"),
        (
            {"rule": "shared_risk", "prior_standard_deviation": "50 %", "greatest_consumer_risk": "2 %"},
            "at 2 % or less",
        ),
        ({"rule": "guarded", "verdicts": "four"}, "conditional fail"),
        ({"rule": "simple", "least_test_uncertainty_ratio": 4}, "at least 4"),
    ],
)
def test_the_statement_names_the_rule_with_its_numbers(fields: dict[str, object], said: str) -> None:
    """ISO/IEC 17025:2017, 7.8.6.2 c): the decision rule applied is part of the statement of conformity."""
    assert said in _statement(**fields)


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
