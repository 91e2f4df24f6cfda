"""An alarm on a computer that sleeps."""

import threading
from types import SimpleNamespace

import pytest

from instruments.operator import alarm
from instruments.operator.alarm import Alarm


@pytest.mark.parametrize("clock", ["monotonic", "time"])
def test_either_clock_is_enough(monkeypatch: pytest.MonkeyPatch, clock: str) -> None:
    """The other stands still: the running clock of a computer that sleeps, or the time of day, set back meanwhile."""
    times = {"monotonic": 0.0, "time": 0.0}
    monkeypatch.setattr(
        alarm, "time", SimpleNamespace(monotonic=lambda: times["monotonic"], time=lambda: times["time"])
    )
    monkeypatch.setattr(alarm, "LOOK_EVERY", 0.01)
    rung = threading.Event()
    Alarm(60.0, rung.set)
    times[clock] = 59.0
    assert not rung.is_set()
    times[clock] = 61.0
    assert rung.wait(10)


def test_a_cancelled_alarm_does_not_ring(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alarm, "LOOK_EVERY", 0.01)
    rung = threading.Event()
    threads = set(threading.enumerate())
    set_off = Alarm(60.0, rung.set)
    (waiting,) = set(threading.enumerate()) - threads
    set_off.cancel()
    waiting.join(10)
    assert not waiting.is_alive()
    assert not rung.is_set()
