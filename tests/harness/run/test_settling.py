"""When a current has settled, and what the range of the reference may meanwhile be."""

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from harness.preparation.run_files import RunInputs
from harness.run.settling import Settled, settle
from harness.steps import Apply, Device, Observe, Options, Select, Steps, Wait
from procedures.current_ratio import current_ratio
from simulated.bench_physics import INTEGRATION_TIME
from simulated.physics.clock import VirtualClock
from tests.harness.run.test_link_recovery import cutting
from tests.on_twin import TwinRun

TIME_CONSTANTS = [0.01 * 1.3**power for power in range(23)]
"""Seconds, from a hundredth to three."""


def settled(integration: float, time_constant: float) -> tuple[Settled, float]:
    """A step from 2 to 1 of first order, read as means over `integration` seconds without noise; what is left of it when it counts as settled."""
    clock = VirtualClock()

    def read() -> float:
        began = clock.now()
        clock.sleep(integration)
        left = math.exp(-began / time_constant) - math.exp(-clock.now() / time_constant)
        return 1 + left * time_constant / integration

    found = settle(read, clock, floor=0.0, between=lambda: None)
    assert found is not None
    return found, math.exp(-clock.now() / time_constant)


@pytest.mark.parametrize("time_constant", TIME_CONSTANTS)
@pytest.mark.parametrize("slow", [0.2, 0.5, 1.0])
def test_two_slow_readings_show_no_less_than_three_quick_ones(slow: float, time_constant: float) -> None:
    """The response of first order to a step, its mean over each reading in closed form."""
    found, left = settled(slow, time_constant)
    assert left <= settled(INTEGRATION_TIME, time_constant)[1] + 1e-12
    assert found.duration >= 2 * slow


def test_three_readings_in_a_row_are_needed_of_quick_ones() -> None:
    assert settled(INTEGRATION_TIME, 0.01)[0].readings == 4


@pytest.mark.parametrize("number", [None, *range(30, 60)])
def test_a_step_down_never_overloads_the_reference(inputs: RunInputs, number: int | None) -> None:
    """Not when its link is cut while the current falls either: an overload would be an unlikely reading, and a trouble."""
    run = TwinRun(inputs)
    if number is not None:
        run.links = cutting(run.bench, number)
    run.run()
    told = [line["message"] for line in run.record.of_kind("trouble")]
    assert len(told) == (number is not None)
    assert not any("overload" in message for message in told)


def test_the_approach_has_settled_the_first_point_unless_time_passes(inputs: RunInputs) -> None:
    """A settling for every point with current and none for the approach; one more where the procedure waits between the two."""
    assert _settled_lines(inputs, current_ratio.steps) == 1

    def waits(device: Device, options: Options) -> Steps:
        rng = device.ranges[0]
        yield Select(rng)
        yield Apply(rng.minimum_current)
        yield Wait(1.0)
        yield Observe("after a wait", options.readings, "single")

    assert _settled_lines(inputs, waits) == 2


def _settled_lines(inputs: RunInputs, steps: Callable[[Device, Options], Steps]) -> float:
    """Settlings in a run of `steps` for each of its points with current."""
    run = TwinRun(replace(inputs, procedure=replace(inputs.procedure, steps=steps)))
    run.run()
    points = [line for line in run.record.of_kind("point") if line["direction"] != "zero"]
    return sum(1 for _ in run.record.of_kind("settled")) / len(points)
