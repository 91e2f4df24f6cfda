"""What is said of the decision rule."""

import pytest

from harness.evaluation.conformity.decision import decision_rule
from harness.files.decision_rule import Decision
from harness.files.device import Claim
from harness.wording.sentences import decision_statement


def _statement(**fields: object) -> str:
    return decision_statement(decision_rule(Decision.model_validate(fields), Claim(of_reading="1 %"), ()))


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"rule": "simple"}, "does not exceed the limit;"),
        ({"rule": "guarded"}, "less the expanded uncertainty"),
        ({"rule": "guarded"}, "w = U "),
        ({"rule": "guarded", "guard_factor": 0.83}, "less 0.83 times the expanded uncertainty"),
        ({"rule": "guarded", "guard_factor": 0.83}, "w = 0.83 U"),
        ({"rule": "false_accept", "false_accept_probability": "5 %"}, "at most 5 %"),
        (
            {"rule": "shared_risk", "prior_standard_deviation": "50 %", "greatest_consumer_risk": "2 %"},
            "at 2 % or less",
        ),
        (
            {"rule": "shared_risk", "prior_mean": "-20.5 %", "prior_standard_deviation": "50 %"},
            "about -20.5 % of the limit with a standard deviation of 50 % of it",
        ),
        ({"rule": "guarded", "verdicts": "four"}, "conditional fail"),
        ({"rule": "simple", "least_test_uncertainty_ratio": 4}, "at least 4"),
    ],
)
def test_the_statement_names_the_rule_with_its_numbers(fields: dict[str, object], said: str) -> None:
    """ISO/IEC 17025:2017, 7.8.6.2 c): the decision rule applied is part of the statement of conformity."""
    assert said in _statement(**fields)
