"""The decision rule of a run, and its global risks under shared risk."""

import dataclasses

import pytest

from harness.evaluation.conformity.decision_rule import decision_rule
from harness.evaluation.range_evaluation import evaluate_ranges
from harness.files.bench import Decision
from harness.files.device import Claim, Device
from harness.files.loading import parse_bench
from tests.harness.evaluation.conftest import BENCH, RUN_DATE, sweep
from tests.rejudged import rejudged

CLAIM = Claim(of_reading="1 %")


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
