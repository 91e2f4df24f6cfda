"""Virtual and real time."""

from __future__ import annotations

import threading

import pytest

from harness.core.clock import RealClock
from simulated.physics.clock import VirtualClock


def test_together_overlaps() -> None:
    """Both calls begin at the same instant, and the clock ends with the longer one."""
    clock = VirtualClock()
    clock.sleep(10.0)
    begun = []

    def call(seconds: float) -> float:
        begun.append(clock.now())
        clock.sleep(seconds)
        return seconds

    assert clock.together(lambda: call(0.3), lambda: call(0.1)) == [0.3, 0.1]
    assert begun == [10.0, 10.0]
    assert clock.now() == pytest.approx(10.3)


def test_together_runs_every_call_before_it_fails() -> None:
    """As with threads: a failing call does not stop the other, and time is where the longest left it."""
    clock = VirtualClock()
    done = []

    def fails() -> None:
        clock.sleep(3.0)
        raise TimeoutError("late")

    with pytest.raises(TimeoutError, match="late"):
        clock.together(fails, lambda: done.append(clock.now()))

    assert done == [0.0]
    assert clock.now() == 3.0


def test_wall_time_follows() -> None:
    """The date is aware and moves with the clock; a negative sleep does nothing."""
    clock = VirtualClock()
    begin = clock.wall()
    clock.sleep(90.0)
    clock.sleep(-5.0)

    assert begin.tzinfo is not None
    assert (clock.wall() - begin).total_seconds() == 90.0


def test_real_together_overlaps() -> None:
    """Each of two calls waits until the other has begun."""
    both = threading.Barrier(2)
    RealClock().together(lambda: both.wait(10), lambda: both.wait(10))
