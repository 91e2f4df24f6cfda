"""How far readings of the reference may be from the current requested, and from each other; for the run and for the audit of its record."""

from harness.files.instrument_entry import Accuracy

AGREEMENT, AGREEMENT_WITH_SHELF = 0.10, 0.50
"""Largest relative deviation of the reference from the requested current before the operator must check. The rating on a shelf load is only a rough value."""

WANDER, WANDER_OF_MAINS = 0.01, 0.05
"""Largest relative deviation of a reading from the settled current within one point. A load on the mains follows its voltage, and changes while it warms."""


def largest_difference(scale: Accuracy) -> float:
    """Largest difference of two readings of one current on a range of the reference, in its own unit."""
    return 2 * scale.resolution + scale.of_range * scale.full_scale
