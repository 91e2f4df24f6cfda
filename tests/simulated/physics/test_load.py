"""The source: settling, errors, protection."""

from __future__ import annotations

import itertools
import math

import pytest

from simulated.physics.load import SETTLING_TIME_CONSTANT, CurrentSource, Refused


def test_first_order_settling() -> None:
    """After one time constant 63.2 % of a step has passed, after five 99.3 % (textbook first-order response)."""
    source = CurrentSource(100.0, seed=1)
    source.set_current(10.0, 0.0)
    source.set_output(True, 0.0)
    final = source.current_at(5.0) / (1 + source.wander(5.0))

    for constants, part in ((1, 0.632), (5, 0.993)):
        time = constants * SETTLING_TIME_CONSTANT
        assert source.current_at(time) / (1 + source.wander(time)) / final == pytest.approx(part, abs=5e-4)


@pytest.mark.parametrize("seed", range(20))
def test_delivers_nearly_what_it_is_told(seed: int) -> None:
    """Setpoint error at most 0.2 %, wander at most 0.1 %, and the wander is slow: under 0.01 % in 0.5 s."""
    source = CurrentSource(100.0, seed)
    source.set_current(10.0, 0.0)
    source.set_output(True, 0.0)
    course = [source.current_at(1.0 + 0.5 * i) for i in range(400)]

    assert max(abs(c / 10.0 - 1) for c in course) < 3e-3
    assert 1e-4 < (max(course) - min(course)) / 10.0 < 2e-3
    assert max(abs(b - a) for a, b in itertools.pairwise(course)) < 1e-4 * 10.0


def test_refuses_what_it_must() -> None:
    """-222 above the limit, above the maximum, below zero or not a number; -221 for a limit below the setpoint."""
    source = CurrentSource(100.0, seed=1)
    source.set_protection(20.0)
    source.set_current(20.0, 0.0)
    for current in (20.1, 101.0, -1.0, math.nan):
        with pytest.raises(Refused, match="-222"):
            source.set_current(current, 0.0)
    with pytest.raises(Refused, match="-222"):
        source.set_protection(101.0)
    with pytest.raises(Refused, match="-221"):
        source.set_protection(5.0)
    assert source.setpoint == 20.0


def test_nothing_is_left_once_the_output_is_off() -> None:
    """An open contact carries no current (common practice, no published source): also where 0 A was set before it opened."""
    source = CurrentSource(100.0, seed=1)
    source.set_current(10.0, 0.0)
    source.set_output(True, 0.0)
    source.set_current(0.0, 2.0)
    assert source.current_at(2.01) > 1.0
    source.set_output(False, 2.02)
    assert source.current_at(2.02) == 0.0
    assert source.current_at(3.0) == 0.0
    assert source.current_at(2.01) > 1.0


def test_the_past_stays_as_it_was() -> None:
    """Overlapping reads look back a little: a later change does not change earlier current."""
    source = CurrentSource(100.0, seed=1)
    source.set_current(10.0, 0.0)
    source.set_output(True, 0.0)
    before = source.current_at(2.0)
    source.set_output(False, 3.0)

    assert source.current_at(2.0) == before
    assert source.current_at(4.0) < 1e-6
