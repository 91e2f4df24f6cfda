"""results.json read back: its schema, and keys that came later."""

import json

import pytest

from harness.core.errors import UserError
from harness.results import SCHEMA
from harness.wording.results_file import from_json, to_json
from tests.reports import sample_results


def test_an_older_schema_is_refused_in_a_line_that_says_what_to_do() -> None:
    data = json.loads(to_json(sample_results.passing())) | {"schema": "ratioproof-results-2"}
    with pytest.raises(
        UserError, match=rf"found results of schema ratioproof-results-2, expected {SCHEMA}; evaluate .*$"
    ):
        from_json(json.dumps(data))
    for text in ("[]", "{", "12"):
        with pytest.raises(UserError, match="expected"):
            from_json(text)


def test_what_was_written_is_written_again_once_read() -> None:
    for results in (sample_results.passing(), sample_results.failing(), sample_results.turns_check()):
        assert to_json(from_json(to_json(results))) == to_json(results)


def test_only_keys_that_came_later_may_be_missing() -> None:
    data = json.loads(to_json(sample_results.passing()))
    del data["run"]["procedure_compared"]
    assert not from_json(json.dumps(data)).run.procedure_compared
    del data["ranges"][0]["points"][0]["ratio_error"]["conformity"]
    with pytest.raises(UserError, match="conformity"):
        from_json(json.dumps(data))
