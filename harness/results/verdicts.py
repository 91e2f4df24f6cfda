"""The verdicts there are, and the worst of several."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

Verdict = Literal["pass", "conditional pass", "conditional fail", "fail"]
VERDICTS: tuple[Verdict, ...] = ("pass", "conditional pass", "conditional fail", "fail")
"""All verdicts from best to worst."""


def worst_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of `verdicts`, pass when there are none."""
    return max(verdicts, key=VERDICTS.index, default="pass")


def accepted(verdict: Verdict) -> bool:
    """Whether `verdict` is a pass, if only a conditional one."""
    return verdict in ("pass", "conditional pass")
