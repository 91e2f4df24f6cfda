"""Findings whose judgement a test sets itself."""

from __future__ import annotations

import dataclasses
from typing import Any

from harness.results import Judged


def rejudged(found: Judged, **changes: Any) -> Judged:
    """`found` with other values of its own or of its conformity; `limit=None`: nothing is claimed."""
    if "limit" in changes and changes["limit"] is None:
        return dataclasses.replace(found, conformity=None)
    own = {k: v for k, v in changes.items() if k in ("value", "standard_uncertainty", "expanded_uncertainty")}
    assert found.conformity is not None
    conformity = dataclasses.replace(found.conformity, **{k: v for k, v in changes.items() if k not in own})
    return dataclasses.replace(found, conformity=conformity, **own)
