"""A value as it is stated, and as it is judged: the same for every error that has a limit; and the verdicts there are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

Verdict = Literal["pass", "conditional pass", "conditional fail", "fail"]
VERDICTS: tuple[Verdict, ...] = ("pass", "conditional pass", "conditional fail", "fail")
"""All verdicts from best to worst."""


def worst_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of `verdicts`, pass when there are none."""
    return max(verdicts, key=VERDICTS.index, default="pass")


def accepted(verdict: Verdict) -> bool:
    """Whether `verdict` is a pass, if only a conditional one."""
    return verdict in ("pass", "conditional pass")


@dataclass(frozen=True)
class Stated:
    """A value with standard and expanded uncertainty, in its unit, and the coverage factor; `degrees_of_freedom` None is infinity."""

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    coverage_factor: float
    degrees_of_freedom: float | None


@dataclass(frozen=True)
class Conformity:
    """Conformity of a value to a claim; `limit` and `acceptance_limit` in the value's unit.

    `acceptance_limit`: what the value may be, without sign, to pass; negative when nothing would. `specific_risk`: probability
    that the verdict is wrong. `test_uncertainty_ratio`: limit over U, None where U is zero.
    """

    limit: float
    acceptance_limit: float
    specific_risk: float
    test_uncertainty_ratio: float | None
    verdict: Verdict


@dataclass(frozen=True)
class Judged(Stated):
    """A stated value that a claim may limit: `conformity` is None where nothing is claimed. `coverage_method`: how k was found."""

    coverage_method: str
    conformity: Conformity | None

    @classmethod
    def of(cls, found: Stated, coverage_method: str, conformity: Conformity | None) -> Judged:
        return cls(**vars(found), coverage_method=coverage_method, conformity=conformity)

    @property
    def limit(self) -> float | None:
        """The limit claimed, in the value's unit; None where nothing is."""
        return None if self.conformity is None else self.conformity.limit

    @property
    def verdict(self) -> Verdict | None:
        """None where nothing is claimed."""
        return None if self.conformity is None else self.conformity.verdict

    @property
    def beyond(self) -> bool:
        """Whether the value itself, without sign, is more than the limit."""
        return self.conformity is not None and abs(self.value) > self.conformity.limit


class JudgedFinding(Protocol):
    """A finding at one place, with the value that is judged there."""

    @property
    def judged(self) -> Judged: ...


AnyFinding = TypeVar("AnyFinding", bound=JudgedFinding)


def worst(found: Sequence[AnyFinding]) -> AnyFinding:
    """The worst verdict's finding that is the largest part of its limit (of the largest value where none is claimed). Raises ValueError if empty."""
    return max(found, key=lambda f: _badness(f.judged))


def _badness(judged: Judged) -> tuple[int, float]:
    place = -1 if judged.verdict is None else VERDICTS.index(judged.verdict)
    return place, abs(judged.value) / (judged.limit or 1.0)
