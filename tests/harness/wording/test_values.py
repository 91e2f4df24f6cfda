"""A value and its uncertainty on the terminal: the same digits as on the certificate."""

import pytest

from harness.core.progress import TerminalProgress
from harness.results import Reason, Stated
from harness.wording.sentences import reason_text
from harness.wording.values import stated_text


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "said"),
    [
        # GUM 7.2.6: y = 10.057 62 ohm with u = 27 milliohm is reported as 10.058 ohm
        (10.05762, 0.027, "", "10.058 ± 0.027"),
        # GUM 7.2.2: the mass 100.021 47 g with u = 0.35 mg, as amperes and under one unit for both
        (100.02147, 0.00035, "A", "(100.02147 ± 0.00035) A"),
        (0.0000123, 0.0021, "A", "(0.0 ± 2.1) mA"),
        (-2.345, 0.0996, "W", "(-2.35 ± 0.10) W"),
        (0.0123449, 0.00028, "%", "(+1.234 ± 0.028) %"),
        (-0.0123449, 0.28, "%", "(-1 ± 28) %"),
        # 10800 / pi minutes of arc are a radian
        (0.001, 0.0001, "'", "(+3.44 ± 0.34)'"),
        (0.0012345, 0.0, "%", "+0.123 %"),
    ],
)
def test_an_uncertainty_has_two_digits_and_its_value_the_same_place(
    value: float, uncertainty: float, unit: str, said: str
) -> None:
    assert stated_text(Stated(value, uncertainty / 2, uncertainty, 2.0, None), unit) == said


def test_a_reason_rounds_its_worst_value_as_the_certificate_does() -> None:
    """GUM 7.2.6: no more digits than the uncertainty has, and no fewer."""
    reason = Reason.of(
        "points-not-passed",
        judgement="error beyond the limit",
        failed=1,
        points=9,
        value=0.0123449,
        expanded_uncertainty=0.00028,
        current=20.0,
        limit=0.01,
    )
    assert "worst (+1.234 ± 0.028) % at 20 A where 1 % is allowed" in reason_text(reason)


class _Lines(TerminalProgress):
    def shown(self, error: float, limit: float | None) -> str:
        self.finished_point(0, "x1 up 5 A", error, limit)
        return self._latest


@pytest.mark.parametrize(
    ("error", "limit", "said"),
    [
        (0.0012345, 0.002, "x1 up 5 A: ratio error +0.123 %, within the limit of 0.2 %"),
        (-0.0012345, 0.01, "x1 up 5 A: ratio error -0.12 %, within the limit of 1 %"),
        (0.51, 0.01, "x1 up 5 A: ratio error +51.00 %, OUTSIDE the limit of 1 %"),
        (0.0, 0.01, "x1 up 5 A: ratio error 0.00 %, within the limit of 1 %"),
        (0.0000123, None, "x1 up 5 A: ratio error +0.00123 %, outside the currents claimed"),
    ],
)
def test_a_live_error_is_to_the_third_digit_of_its_limit(error: float, limit: float | None, said: str) -> None:
    """Its uncertainty is not known yet: errors with one limit are to one place."""
    from rich.console import Console

    assert _Lines(Console(quiet=True), [1.0]).shown(error, limit) == said
