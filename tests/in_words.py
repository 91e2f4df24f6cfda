"""Reasons and remarks of an evaluation as lines, for tests that look for words in them."""

from collections.abc import Iterable

from harness.results import Reason
from harness.wording.sentences import reason_line


def in_words(reasons: Iterable[Reason]) -> tuple[str, ...]:
    return tuple(reason_line(reason) for reason in reasons)
