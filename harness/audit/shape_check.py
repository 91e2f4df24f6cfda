"""Strict check of every line of a record against its kind (`line_kinds`): no extra key, no text for a number, nothing infinite."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from harness.audit.line_kinds import KINDS, STEPS
from harness.core.quantities import shortened


def shape(line: Mapping[str, Any]) -> list[str]:
    """Errors in the shape of a line, a sentence each."""
    what, known = ("step", STEPS) if line.get("kind") == "step" else ("kind", KINDS)
    model = known.get(str(line.get(what)))
    if model is None:
        return [f"found {what} {shortened(line.get(what))}, expected one of {', '.join(known)}"]
    try:
        model.model_validate(line)
    except ValidationError as failure:
        return [_said(error) for error in failure.errors()]
    return []


def _said(error: Any) -> str:
    """One pydantic error as text: key, found and expected."""
    key = ".".join(str(part) for part in error["loc"]) or "the line"
    if error["type"] == "extra_forbidden":
        return f"{key}: found a key that is not one of this kind of line, expected none"
    if error["type"] == "missing":
        return f"{key}: found nothing, expected this key"
    message = error["msg"].removeprefix("Value error, ").removeprefix("Input ").removeprefix("should be ")
    message = message.removeprefix("expected ")
    return f"{key}: found {shortened(error['input'])}, expected {message[0].lower()}{message[1:]}"
