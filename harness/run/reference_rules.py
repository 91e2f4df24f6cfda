"""On which range the reference reads a current, and how far readings may be from it and from each other; for a run and for the audit of its record."""

from harness.current_limits.maximum_test_current import crest_factor_of_load
from harness.files.bench import Bench
from harness.files.instrument_entry import Accuracy

AGREEMENT, AGREEMENT_WITH_SHELF = 0.10, 0.50
"""Largest relative deviation of the reference from the requested current before the operator must check. The rating on a shelf load is only a rough value."""

WANDER, WANDER_OF_MAINS = 0.01, 0.05
"""Largest relative deviation of a reading from the settled current within one point. A load on the mains follows its voltage, and changes while it warms."""

HEADROOM, HEADROOM_WITH_SHELF = 1.05, 1.3
"""Full scale of the reference's range relative to the expected current, at least."""


def scale_for(bench: Bench, current: float, load: float | None = None) -> float:
    """Full scale of the reference's smallest range that takes `current` amperes with room to spare, and its peak; else of its largest.

    `load`: the load on the shelf that draws it, by the current written on it, where that is another.
    """
    ranges, factor = bench.entry("reference").ranges, bench.reference_path.factor
    headroom = HEADROOM_WITH_SHELF if bench.shelf_currents else HEADROOM
    crest_factor = crest_factor_of_load(bench, current if load is None else load)

    def takes(r: Accuracy) -> bool:
        steeper = max(1.0, crest_factor / r.crest_factor) if r.crest_factor is not None else 1.0
        return r.full_scale * factor >= headroom * current * steeper

    return next((r.full_scale for r in ranges if takes(r)), ranges[-1].full_scale)


def largest_difference(scale: Accuracy) -> float:
    """Largest difference of two readings of one current on a range of the reference, in its own unit."""
    return 2 * scale.resolution + scale.of_range * scale.full_scale
