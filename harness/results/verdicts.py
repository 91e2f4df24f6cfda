"""Verdicts, and a value as it is stated."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["pass", "conditional pass", "conditional fail", "fail"]
VERDICTS: tuple[Verdict, ...] = ("pass", "conditional pass", "conditional fail", "fail")
"""From best to worst."""


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of `verdicts`, pass when there are none."""
    return max(verdicts, key=VERDICTS.index, default="pass")


def accepted(verdict: Verdict) -> bool:
    """Whether `verdict` is a pass, if only a conditional one."""
    return verdict in ("pass", "conditional pass")


@dataclass(frozen=True)
class Stated:
    """A value with its standard and expanded uncertainty and the coverage factor between them, all in the value's unit.

    `degrees_of_freedom`: effective ones of the standard uncertainty; None is infinity.
    """

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    coverage_factor: float
    degrees_of_freedom: float | None = None
