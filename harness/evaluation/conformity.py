"""From an error, its uncertainty and its limit to a verdict, by the rule that was chosen before (ILAC-G8:09/2019)."""

from __future__ import annotations

from typing import Literal

from harness.results import Verdict


def verdict(error: float, expanded_uncertainty: float, limit: float, rule: Literal["simple", "guarded"]) -> Verdict:
    """`simple` acceptance: |error| within the limit. `guarded`: within the limit less U (guard band w = U)."""
    acceptance = limit if rule == "simple" else limit - expanded_uncertainty
    return "pass" if abs(error) <= acceptance else "fail"
