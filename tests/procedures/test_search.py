"""The search for the smallest current on meters whose threshold is known."""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.commands.new import template
from harness.files.loading import parse_device
from harness.steps import Apply, Device, Observe, Options, PointReading
from procedures.smallest_current import smallest_current


def _applied(
    device: Device, options: Options, reads: Callable[[str, float], bool]
) -> dict[str, list[tuple[float, bool]]]:
    """Per range what was applied and whether it read, on a meter for which `reads(range, current)` decides."""
    steps = smallest_current.steps(device, options)
    found: dict[str, list[tuple[float, bool]]] = {}
    current, answer = 0.0, None
    while True:
        try:
            step = steps.send(answer)
        except StopIteration:
            return found
        answer = None
        match step:
            case Apply(current=asked):
                current = asked
            case Observe():
                name = step.point.split()[0]
                seen = reads(name, current)
                found.setdefault(name, []).append((current, seen))
                answer = PointReading(step.point, current, current * seen, step.count, reading=step.count * seen)


@pytest.fixture(scope="module")
def device() -> Device:
    return parse_device(template("device.toml"), "device.toml")


@given(part=st.floats(0.002, 0.95))
@settings(max_examples=60, deadline=None)
def test_both_sides_come_within_a_hundredth(device: Device, part: float) -> None:
    """Wherever below the smallest claimed current the threshold lies, it ends between two currents 1 % apart."""
    threshold = {r.name: part * r.minimum_current for r in device.ranges}
    found = _applied(device, Options(), lambda name, current: current >= threshold[name])
    for rng in device.ranges:
        reading = min(c for c, read in found[rng.name] if read)
        silent = max((c for c, read in found[rng.name] if not read), default=None)
        assert silent is not None
        assert silent < threshold[rng.name] <= reading
        assert reading / silent <= 1.01 or len(found[rng.name]) == 14
        # Even a search that had to go far down has closed in on it.
        assert reading / silent <= 1.2


def test_it_starts_where_the_range_must_read(device: Device) -> None:
    found = _applied(device, Options(), lambda name, current: current >= 0.02)
    assert all(found[r.name][0][0] == r.minimum_current for r in device.ranges)


def test_a_range_that_reads_nothing_at_its_smallest_current_is_left(device: Device) -> None:
    found = _applied(device, Options(), lambda name, current: name != "x4")
    assert found["x4"] == [(0.2, False)]


def test_a_shelf_is_gone_down_until_a_load_does_not_read(device: Device) -> None:
    shelf = (0.002, 0.012, 0.03, 0.1, 1.0)
    found = _applied(device, Options(available=shelf), lambda name, current: current >= 0.02)
    assert [c for c, _ in found["x20"]] == [0.1, 0.03, 0.012]
