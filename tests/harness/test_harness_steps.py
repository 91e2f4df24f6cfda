"""The step vocabulary: ladders, procedures as data."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.commands.new import template
from harness.device import Range
from harness.files import parse_device
from harness.steps import Apply, Observe, Options, PointReading, Procedure, Release, Select, Wait, both_ways, ladder
from procedures import shipped


def a_range(low: float, high: float) -> Range:
    return Range(
        name="r",
        primary_turns=1,
        display_factor=1.0,
        minimum_current=f"{low!r} A",
        maximum_current=f"{high!r} A",  # type: ignore[arg-type]
    )


@given(st.floats(1e-3, 1.0), st.floats(1.5, 5000.0), st.integers(1, 10))
def test_ladders_span_the_range_and_leave_no_wide_gap(low: float, ratio: float, per_decade: int) -> None:
    """Both ends are in, currents rise, and no step is wider than a decade shared by `per_decade` (and rounding)."""
    currents = ladder(a_range(low, low * ratio), per_decade)
    assert currents[0] == low
    assert currents[-1] == pytest.approx(low * ratio)
    steps = [b / a for a, b in itertools.pairwise(currents)]
    assert all(step > 1 for step in steps)
    assert max(steps) <= 10 ** (1 / per_decade) * 1.02


def test_up_and_down_without_repeating_the_top() -> None:
    """Upscale then downscale readings, as IEC 61298-2 takes them."""
    assert list(both_ways([1.0, 2.0, 3.0])) == [("up", 1.0), ("up", 2.0), ("up", 3.0), ("down", 2.0), ("down", 1.0)]


@pytest.mark.parametrize("procedure", shipped().values(), ids=lambda p: p.name)
def test_every_shipped_procedure_is_well_formed(procedure: Procedure) -> None:
    """Point names are unique, nothing is applied before a range is selected, ranges change and end with the load off.

    Nothing is applied above what a range claims; only the search for the smallest current goes below.
    """
    device = parse_device(template("device.toml"), "device.toml")
    steps = procedure.steps(device, Options(power_factors=(1.0, 0.5, -0.8), check_current=2.0))
    names: list[str] = []
    names_of_ranges: set[str] = set()
    selected, energised = None, False
    answer = None
    while True:
        try:
            step = steps.send(answer)
        except StopIteration:
            break
        answer = None
        match step:
            case Select(range=rng):
                assert not energised
                selected = rng
            case Apply(current=current):
                assert selected is not None
                assert current <= selected.maximum_current
                assert current >= selected.minimum_current or procedure.name == "smallest_current"
                energised = True
            case Wait(seconds=seconds):
                assert 0 < seconds <= Options().hold
            case Release():
                energised = False
            case Observe():
                assert selected is not None
                assert energised == (step.direction != "zero")
                names.append(step.point)
                names_of_ranges.add(selected.name)
                answer = PointReading(step.point, 1.0, 1.0, step.count, reading=step.count)
    assert not energised
    assert len(set(names)) == len(names)
    if procedure.name != "bench_check":
        assert names_of_ranges == {r.name for r in device.ranges}
    assert procedure.description
    assert procedure.title
