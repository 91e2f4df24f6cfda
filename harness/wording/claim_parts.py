"""The parts of a claim in words: nothing of a class may stand beside a verdict that no reading bears."""

from collections.abc import Iterable

from harness.results import ClaimPart


def claim_text(parts: Iterable[ClaimPart]) -> str:
    """What is claimed of each error."""
    return "; ".join(f"{part.error} {part.limit}" for part in parts)


def errors_text(parts: Iterable[ClaimPart]) -> str:
    """The errors alone: `ratio error and phase displacement`."""
    return " and ".join(part.error for part in parts)
