"""The primary winding: how many turns, with sign, carry the current in each position of the range switch."""

from __future__ import annotations

from collections.abc import Iterable

from simulated.bench_faults import ActiveFault
from simulated.description import RangeDescription


def signed_turns(ranges: Iterable[RangeDescription], faults: Iterable[ActiveFault] = ()) -> dict[str, int]:
    """Signed primary turns in circuit in each position, by the range's name.

    An independent range carries the current through a winding of its own; a series range through the turns of the
    range before it and a further section. A faulty section is therefore faulty in every position that uses it, and
    a winding turned round takes the sections wired onto it with it.
    """
    at = {(fault.name, fault.range) for fault in faults}
    turns: dict[str, int] = {}
    before, described_before, sense = 0, 0, 1
    for rng in ranges:
        in_series = rng.wiring == "series"
        if not in_series:
            sense = -1 if ("winding-reversed", rng.name) in at else 1
        section = rng.primary_turns - (described_before if in_series else 0)
        section += (("turn-extra", rng.name) in at) - (("turn-missing", rng.name) in at)
        if ("section-reversed", rng.name) in at:
            section = -section
        section *= sense
        through_both = in_series or ("both-windings-in-circuit", rng.name) in at
        turns[rng.name] = section + (before if through_both else 0)
        before, described_before = turns[rng.name], rng.primary_turns
    return turns
