"""Virtual and real time."""

from __future__ import annotations

import pytest

from simulated.physics.virtual_clock import VirtualClock


@pytest.mark.parametrize("seconds", [0.1, 0.3])
def test_what_began_earlier_ends_beside_what_was_done_since(seconds: float) -> None:
    """Two of 0.2 s and `seconds` that begin at the same instant take as long as the longer one."""
    clock = VirtualClock()
    clock.sleep(10.0)
    clock.sleep(0.2)
    with clock.since(10.0):
        assert clock.now() == 10.0
        clock.sleep(seconds)
    assert clock.now() == pytest.approx(10.0 + max(0.2, seconds))


def test_wall_time_follows() -> None:
    """The date is aware and moves with the clock; a negative sleep does nothing."""
    clock = VirtualClock()
    begin = clock.wall()
    clock.sleep(90.0)
    clock.sleep(-5.0)

    assert begin.tzinfo is not None
    assert (clock.wall() - begin).total_seconds() == 90.0
