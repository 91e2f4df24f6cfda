"""Plausibility of a typed value: what it was asked for, what it is expected to be, and the reason to doubt it."""

from dataclasses import dataclass

from instruments.numbers import format_current, plain


@dataclass(frozen=True)
class Expected:
    """The value a typed one is checked against, without its sign; as in a Question."""

    value: float | None = None
    tolerance: float = 0.2
    largest: float | None = None
    limit: str = ""


@dataclass(frozen=True)
class Question:
    """A value to be read off an instrument: `of` is its function on the bench, `resolution` its step in `unit`.

    A value larger, without sign, than `largest`, or further than `tolerance` (relative) from `expected`, is asked for once
    more; without either any is taken. `limit` says what `largest` is, `check_first` what to look at before a surprising value is typed again.
    """

    text: str
    of: str
    resolution: float
    expected: float | None = None
    tolerance: float = 0.2
    unit: str = "A"
    largest: float | None = None
    limit: str = ""
    check_first: str = "Read the display again."


def doubt(value: float, question: Question) -> str:
    """The reason to doubt `value`, in a sentence; empty when there is none."""
    shown = f"{plain(value, 6)} {question.unit}".strip()
    if question.largest is not None and abs(value) > question.largest:
        if question.limit:
            return f"{shown} is more than {question.limit}; type it again."
        return f"{shown} is not possible: the largest value is {plain(question.largest, 6)}; type it again."
    if question.expected is None:
        return ""
    allowed = max(question.tolerance * abs(question.expected), 3 * question.resolution)
    # A power and its factor may be shown with either sign, by whatever convention.
    held = value if question.unit in ("A", "V") else abs(value)
    if abs(held - question.expected) <= allowed:
        return ""
    expected = f"{plain(question.expected, 3)} {question.unit}".strip()
    if question.unit == "A":
        expected = format_current(question.expected)
    return f"{shown} is far from the {expected} expected. {question.check_first}"
