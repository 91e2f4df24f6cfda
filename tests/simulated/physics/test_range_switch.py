"""The turns in circuit, position by position."""

from __future__ import annotations

import pytest

from simulated.bench_faults import parse_fault
from simulated.description import MeterDescription
from simulated.physics.range_switch import signed_turns


def turns(meter: MeterDescription, *faults: str) -> dict[str, int]:
    return signed_turns(meter.ranges, [parse_fault(f, meter) for f in faults])


def test_a_base_turn_and_nine_in_series(plain_meter: MeterDescription) -> None:
    """Ten in series, eight when the section is reversed (common practice, no published source)."""
    assert turns(plain_meter) == {"one": 1, "ten": 10}
    assert abs(turns(plain_meter, "section-reversed")["ten"]) == 8


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("turn-missing", (1, 3, 20)),
        ("turn-missing:x20", (1, 4, 19)),
        ("turn-missing:x1", (0, 3, 20)),
        ("turn-extra", (1, 5, 20)),
        ("section-reversed", (1, 2, 20)),
        ("both-windings-in-circuit", (1, 4, 24)),
    ],
)
def test_faults_of_the_winding(meter: MeterDescription, fault: str, expected: tuple[int, ...]) -> None:
    """A section shared by two positions is faulty in both: the series range loses the base's missing turn too."""
    assert tuple(abs(t) for t in turns(meter, fault).values()) == expected


def test_a_fault_does_not_hide_behind_another(meter: MeterDescription) -> None:
    """Both windings in circuit on x20, with one turn of x4's section missing: 20 + 3."""
    assert turns(meter, "both-windings-in-circuit", "turn-missing:x4")["x20"] == 23


def test_a_winding_turned_round_takes_what_is_wired_onto_it(meter: MeterDescription) -> None:
    """The same turns with the other sign: the current reads right, and a power would read negative."""
    assert turns(meter, "winding-reversed:x1") == {"x1": -1, "x4": -4, "x20": 20}
    assert turns(meter, "winding-reversed:x20") == {"x1": 1, "x4": 4, "x20": -20}
