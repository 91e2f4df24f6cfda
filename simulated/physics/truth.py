"""The true state of a simulated bench, for tests and for users who want to compare."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Truth:
    """The true state of the bench. Currents in amperes.

    `turns` are the signed turns in circuit when a range is selected. `switched_under_load`: the contacts moved
    while more than 1 mA flowed.
    """

    peak_secondary_current: float
    secondary_fuse_intact: bool
    input_overdriven: bool
    load_on: bool
    primary_current: float
    switch_position: str
    switched_under_load: bool
    turns: dict[str, int]
