"""What a run verified of a claim, and what of it stays unverified: nothing of a class may stand beside a verdict that no reading bears."""

from harness.results import Results

SEPARATOR = "; "
"""Between the parts of a claim, each of which begins with the error it is about."""


def ratio_taken(results: Results) -> bool:
    """Whether the run was to take ratio errors: one for the zero or the smallest current alone does not."""
    other = results.bench_check is not None or any(r.smallest or r.no_load for r in results.ranges)
    return any(r.points for r in results.ranges) or not other


def verified(results: Results) -> list[str]:
    """The parts of the claim of which at least one range has readings."""
    return [part for part in results.device.claim.split(SEPARATOR) if _looked_at(part, results)]


def not_verified(results: Results) -> list[str]:
    """The parts of the claim of which no range has readings."""
    return [part for part in results.device.claim.split(SEPARATOR) if not _looked_at(part, results)]


def _looked_at(part: str, results: Results) -> bool:
    if part.startswith("power error"):
        return any(r.power for r in results.ranges)
    if part.startswith("phase displacement"):
        return any(r.phase for r in results.ranges)
    return ratio_taken(results)
