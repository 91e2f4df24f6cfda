"""Pre-arcing times of miniature fuse-links 5 x 20 mm: the guaranteed gates of the standard.

More current melts a fuse sooner. Between two gates it takes no longer than the gate below allows and no less than the gate above does;
below the first and above the last nothing is guaranteed.
"""

import math
from typing import Literal

from instruments.toml_file import FileTable, read_shipped

FuseType = Literal["F", "T"]


class Gate(FileTable):
    """At `multiple` times the rated current a fuse melts in `shortest` to `longest` seconds, by default with no end."""

    multiple: float
    shortest: float
    longest: float = math.inf


class Gates(FileTable):
    """The gates of one characteristic for ratings above `above` up to `up_to` amperes, and how sure they are."""

    type: FuseType
    above: float
    up_to: float
    gates: tuple[Gate, ...]
    source: str


class _FuseTable(FileTable):
    characteristics: tuple[Gates, ...]


HOUR, MINUTE = 3600.0, 60.0

TABLE = read_shipped(_FuseTable, __package__, "fuse_melting_times.toml").characteristics

SURELY_MELTS = 2.1
"""Least multiple of the rated current at which both characteristics must melt at all (IEC 60127-2, sheets 2 and 3)."""

AGES_ABOVE = 0.75
"""Fraction of the rated current a fuse may carry permanently; above it, it ages. Common practice, no published source."""


def gates_of(rating: float, fuse_type: FuseType) -> Gates | None:
    """The gates of a fuse rated `rating` amperes; None where the table has none."""
    return next((g for g in TABLE if g.type == fuse_type and g.above < rating <= g.up_to * (1 + 1e-9)), None)


def melting_window(rating: float, fuse_type: FuseType | None, current: float) -> tuple[float, float]:
    """Shortest and longest guaranteed melting time in seconds of a fuse rated `rating` amperes at `current` amperes.

    0 and infinity where nothing is guaranteed. A type of None covers both characteristics.
    """
    if fuse_type is None:
        quick, lagging = melting_window(rating, "F", current), melting_window(rating, "T", current)
        return min(quick[0], lagging[0]), max(quick[1], lagging[1])
    found = gates_of(rating, fuse_type)
    if found is None:
        return 0.0, math.inf
    multiple, slack = current / rating, 1e-9
    shortest = max((g.shortest for g in found.gates if g.multiple >= multiple * (1 - slack)), default=0.0)
    longest = min((g.longest for g in found.gates if g.multiple <= multiple * (1 + slack)), default=math.inf)
    return shortest, longest
