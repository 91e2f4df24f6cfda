"""The decision rule of the bench file."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from harness.core.plausible_quantities import Fraction, SignedFraction
from harness.files.device import Table


class Decision(Table):
    """How a measured error becomes a verdict. L: the limit claimed; A: the acceptance limit; U: the expanded uncertainty."""

    rule: Literal["simple", "guarded", "false_accept", "shared_risk"] = "guarded"
    """`simple`: A = L. `guarded`: A = L - `guard_factor` U. `false_accept` (JCGM 106, 8.3): A leaves at most
    `false_accept_probability` that what is accepted is beyond L. `shared_risk` (JCGM 106, 9.5): A = L, or lower as
    far as `greatest_consumer_risk` requires.
    """
    coverage_probability: float = Field(default=0.9545, gt=0.5, lt=1.0)
    """Coverage probability of U."""
    guard_factor: float = Field(default=1.0, ge=0, le=10)
    """Width of the guard band in U."""
    false_accept_probability: Fraction | None = Field(default=None, gt=0, lt=0.5)
    """Needs its unit, in %."""
    prior_mean: SignedFraction | None = Field(default=None, ge=-10, le=10)
    """Mean error of such meters, as a part of L, normally distributed."""
    prior_standard_deviation: Fraction | None = Field(default=None, gt=0, le=100)
    """Standard deviation of their errors, as a part of L."""
    greatest_consumer_risk: Fraction | None = Field(default=None, gt=0, lt=0.5)
    """Largest global consumer's risk."""
    verdicts: Literal["two", "four"] = "two"
    """`four` adds conditional pass and conditional fail, one on each side of L (ILAC-G8:09/2019), for a rule with a guard band."""
    least_test_uncertainty_ratio: float | None = Field(default=None, gt=0)
    """Smallest L / U required at every point; checked by the rehearsal."""

    @model_validator(mode="after")
    def _belong_together(self) -> Decision:
        owners = {
            "guard_factor": "guarded",
            "false_accept_probability": "false_accept",
            "prior_mean": "shared_risk",
            "prior_standard_deviation": "shared_risk",
            "greatest_consumer_risk": "shared_risk",
        }
        for key, rule in owners.items():
            if key in self.model_fields_set and self.rule != rule:
                raise ValueError(f'found {key} with rule = "{self.rule}", expected it with rule = "{rule}" only')
        needed = {"false_accept": "false_accept_probability", "shared_risk": "prior_standard_deviation"}.get(self.rule)
        if needed is not None and getattr(self, needed) is None:
            raise ValueError(f'found rule = "{self.rule}" without {needed}, expected both')
        unguarded = self.rule == "simple" or (self.rule == "shared_risk" and self.greatest_consumer_risk is None)
        if self.verdicts == "four" and (unguarded or self.guard_factor == 0):
            found = f'found verdicts = "four" with rule = "{self.rule}" and no guard band'
            raise ValueError(f"{found}, expected a rule that makes one")
        return self
