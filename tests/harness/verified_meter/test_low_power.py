"""What IEC 62301:2011 asks of the uncertainty and of the stability of a low power. Values from memory: the standard was not at hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.results import Stated
from harness.verified_meter.low_power import low_power, permitted_uncertainty, stability


def stated(value: float, expanded: float) -> Stated:
    return Stated(value, expanded / 2, expanded, 2.0, None)


@pytest.mark.parametrize(
    ("power", "ratio", "permitted"),
    [
        (5.0, 3.0, 0.10),
        (1.0, 10.0, 0.02),
        (0.3, 10.0, 0.02),
        # 0.02 (1 + 0.08 x 10) = 3.6 %; of half a watt 18 mW, so that the 20 mW stand.
        (5.0, 20.0, 0.18),
        (0.5, 20.0, 0.02),
        # 0.02 (1 + 0.08 x 40) = 8.4 %.
        (0.5, 50.0, 0.042),
    ],
)
def test_the_permitted_uncertainty_by_hand(power: float, ratio: float, permitted: float) -> None:
    """2 % from 1 W up, 20 mW below; above a maximum current ratio of 10 by 0.02 (1 + 0.08 (ratio - 10)) (IEC 62301:2011, 4.4.1, value from memory)."""
    assert permitted_uncertainty(power, ratio) == pytest.approx(permitted)


@given(power=st.floats(0.01, 100), ratio=st.floats(1, 200), more=st.floats(0, 100))
def test_a_larger_ratio_never_permits_less(power: float, ratio: float, more: float) -> None:
    assert permitted_uncertainty(power, ratio + more) >= permitted_uncertainty(power, ratio) >= 0.02 * min(power, 1.0)


def test_what_is_not_known_of_the_crest_factor_is_not_guessed() -> None:
    """5 W: 0.1 W at any crest factor; more only at one that is known. Crest factor 8 over power factor 0.4 are 20: 0.18 W."""
    factor = stated(0.4, 0.0)
    assert low_power(stated(5.0, 0.09), factor, None).sufficient is True
    assert low_power(stated(5.0, 0.15), factor, None).sufficient is None
    found = low_power(stated(5.0, 0.15), factor, 8.0)
    assert (found.maximum_current_ratio, found.permitted, found.sufficient) == (
        pytest.approx(20.0),
        pytest.approx(0.18),
        True,
    )
    assert low_power(stated(5.0, 0.19), factor, 8.0).sufficient is False


@given(slope=st.floats(-0.1, 0.1), power=st.floats(0.2, 50.0), jump=st.floats(-5, 5))
def test_the_slope_is_that_of_the_last_two_thirds(slope: float, power: float, jump: float) -> None:
    """A power that rises by `slope` watts an hour, after a first third of another level: 10 mW/h up to 1 W, 1 %/h above (value from memory)."""
    seconds = [float(t) for t in range(0, 1801, 30)]
    powers = [power + slope * (t - 1200) / 3600 + (jump if t < 600 else 0.0) for t in seconds]
    found = stability(seconds, powers, 1e-9)
    assert found is not None
    limit = 0.010 if power <= 1 else 0.01 * power
    assert found.slope * 3600 == pytest.approx(slope, abs=1e-9)
    assert found.permitted * 3600 == pytest.approx(limit, rel=1e-6)
    assert found.readings == 41
    if abs(abs(slope) - limit) > 1e-6:
        assert found.outcome == ("stable" if abs(slope) < limit else "not stable")


def test_a_display_too_coarse_or_a_time_too_short_says_nothing_of_stability() -> None:
    """A step of 5 mW in the 10 min that are looked at would be 30 mW/h."""
    seconds = [30.0 * n for n in range(31)]
    frozen = stability(seconds, [0.5] * 31, 0.005)
    assert frozen is not None
    assert frozen.outcome == "not resolved"
    assert stability(seconds[:-1], [0.5] * 30, 1e-6) is None
    assert stability([], [], 1e-6) is None
