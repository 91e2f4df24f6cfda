"""In-rush of loads off a shelf: what is known of it keeps a load from ranges whose input or fuses do not withstand it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.new import template
from harness.current_limits.maximum_test_current import approach_current, maximum_test_current, too_large, withstood
from harness.files.device import Device
from harness.files.loading import parse_device
from tests.harness.current_limits.test_peaks import BY_HAND, DEVICE, load, with_shelf

FUSED = parse_device(template("device.toml").replace("[path]", '[path]\nsecondary_fuse_i2t = "4e-4 A^2 s"', 1), "d")


@given(st.floats(0.05, 4.0), st.floats(1.5, 200.0), st.integers(0, 2))
def test_a_load_is_planned_only_where_the_peak_of_its_inrush_stays_below_that_of_the_input(
    current: float, times: float, place: int
) -> None:
    """40 mA effective are 56.57 mA of peak in 2500 turns; a shelf counts with 10 % more than is written."""
    rng, peak = DEVICE.ranges[place], current * times
    bench = with_shelf(load(current, waveform="sine", inrush=f"{peak!r} A"))
    secondary = peak * rng.primary_turns / 2500
    allowed = current <= maximum_test_current(DEVICE, bench, rng, None, current).current
    assert allowed == (secondary * 1.1 <= 40e-3 * 2**0.5 and current <= rng.maximum_current)
    if approach_current(DEVICE, bench, rng):
        assert peak * 25 / 2500 * 1.1 <= 40e-3 * 2**0.5


@pytest.mark.parametrize(
    ("device", "stated", "fits"),
    [
        # 0.38 of 4e-4 A2s are, through 20 turns on 2500, 2.375 A2s in the primary. 6 A for 60 ms are 2.16 A2s, times 1.1^2 2.6.
        (FUSED, {"inrush": "6 A", "inrush_duration": "60 ms"}, False),
        (FUSED, {"inrush": "6 A", "inrush_duration": "50 ms"}, True),
        (FUSED, {"inrush": "6 A", "inrush_duration": "60 ms", "inrush_i2t": "1 A^2 s"}, True),
        # Nothing is known of the fuse, or of how long it lasts: no figure is invented.
        (DEVICE, {"inrush": "6 A", "inrush_duration": "60 s"}, True),
        (FUSED, {"inrush": "6 A"}, True),
    ],
)
def test_a_fuse_counts_where_its_melting_i2t_and_the_inrush_are_known(
    device: Device, stated: dict[str, str], fits: bool
) -> None:
    bench = with_shelf(load(1.0, waveform="sine", **stated))
    assert (maximum_test_current(device, bench, device.ranges[2], None, 1.0).current >= 1.0) == fits
    assert (1.0 in too_large(device, bench)) == (not fits)


def test_what_an_inrush_forbids_says_so() -> None:
    never = too_large(DEVICE, with_shelf(load(0.1), load(1.0, waveform="sine", inrush="30 A")))
    assert list(never) == [1.0]
    assert "its in-rush of 30 A: the meter input withstands a peak of 7.07 A at 20 turns" in never[1.0]


def test_an_inrush_that_is_not_known_limits_nothing_and_none_limits_what_is_read() -> None:
    plain = with_shelf(load(1.0, waveform="sine"))
    for said in ({"inrush": "unknown"}, {}):
        assert too_large(DEVICE, with_shelf(load(1.0, waveform="sine", **said))) == {}
    steep = with_shelf(load(1.0, waveform="sine", inrush="30 A"))
    rng = DEVICE.ranges[2]
    assert withstood(DEVICE, steep, rng, None, 1.0) == withstood(DEVICE, plain, rng, None, 1.0)
    assert too_large(DEVICE, BY_HAND) == {}
