"""When a current has settled, and what the range of the reference may meanwhile be."""

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest

from harness.core.stop import StopSignal
from harness.preparation.run_files import RunInputs
from harness.run.reference_current import FOLLOWS, ReferenceCurrent
from harness.run.settling import SECONDS_OF_SLOW_READING, Settled, settle
from harness.steps import Apply, Device, Observe, Options, Select, Steps, Wait
from instruments.reading import Reading
from procedures.current_ratio import current_ratio
from simulated.bench_physics import INTEGRATION_TIME
from simulated.many_benches import FollowedBench
from simulated.physics.virtual_clock import VirtualClock
from tests.benchmarks.settled_readings import held, points
from tests.benchmarks.whole_runs import files, integrating
from tests.harness.run.test_link_recovery import cutting
from tests.on_twin import TwinRun

TIME_CONSTANTS = [0.01 * 1.3**power for power in range(23)]
"""Seconds, from a hundredth to three."""


def settled(integration: float, time_constant: float, after: float = 0.0) -> tuple[Settled, float]:
    """A step from 2 to 1 of first order, read from `after` seconds on as means over `integration` seconds without noise.

    With what is left of it when it counts as settled.
    """
    clock = VirtualClock()
    clock.sleep(after)

    def read() -> float:
        began = clock.now()
        clock.sleep(integration)
        left = math.exp(-began / time_constant) - math.exp(-clock.now() / time_constant)
        return 1 + left * time_constant / integration

    found = settle(read, clock, floor=0.0, between=lambda: None)
    assert found is not None
    return found, math.exp(-clock.now() / time_constant)


@pytest.mark.parametrize("time_constant", TIME_CONSTANTS)
@pytest.mark.parametrize("slow", [0.4, 0.5, 1.0])
@pytest.mark.parametrize("after", [0.0, FOLLOWS])
def test_two_slow_readings_show_no_less_than_three_quick_ones(after: float, slow: float, time_constant: float) -> None:
    """The response of first order to a step, its mean over each reading in closed form."""
    found, left = settled(slow, time_constant, after)
    assert left <= settled(INTEGRATION_TIME, time_constant)[1] + 1e-12
    assert found.duration >= 2 * slow - 1e-12


@pytest.mark.parametrize("takes", [0.1, 1.0])
def test_an_interval_holds_with_the_last_reading_that_showed_a_settled_current_and_not_with_all(takes: float) -> None:
    """Student's interval of four (JCGM 100:2008, G.3; the quantile is scipy's), stated 95 %; 3,000 make 0.4 % of standard uncertainty.

    Of noise of 0.5 % of the current few rows agree within 0.2 %, so those that do are alike.
    """
    every = 3 if takes < SECONDS_OF_SLOW_READING else 2
    assert held(points(0.005, takes, 1, 3000)) > 0.938
    assert held(points(0.005, takes, every, 3000)) < 0.90


def test_three_readings_in_a_row_are_needed_of_quick_ones() -> None:
    assert settled(INTEGRATION_TIME, 0.01)[0].readings == 4


@pytest.mark.parametrize(("integration", "begins", "readings"), [(1.0, FOLLOWS, {2}), (0.1, 0.0, {3, 5})])
def test_a_slow_reading_begins_after_the_step_and_a_quick_one_at_once(
    integration: float, begins: float, readings: set[int]
) -> None:
    """So two slow ones show that the current has settled; the simulated load has 0.06 % of its step left after 0.3 s."""
    run = TwinRun(files(integration))
    run.clock = clock = VirtualClock()
    run.bench = bench = FollowedBench(run.bench.description, clock)
    with integrating(integration):
        run.run()
    steps = [change.time for change in bench.circuit.load.changes if change.target > 0]
    first = [min(read.began for read in bench.references if read.began >= step) - step for step in steps]
    assert len(first) > 30
    assert begins <= min(first) <= max(first) < begins + 0.02
    assert {line["readings"] for line in run.record.of_kind("settled")} == readings


@pytest.mark.parametrize(("integration", "refreshed"), [(0.1, 0.1), (1.0, 1.0), (0.1, 1.0), (1.0, 0.1)])
def test_the_last_reading_of_settling_is_the_first_of_its_point(integration: float, refreshed: float) -> None:
    """It is made once, and the display is read when it has caught up with the current; a zero is displayed two intervals after the load is off."""
    run = TwinRun(files(refreshed))
    run.clock = clock = VirtualClock()
    run.bench = bench = FollowedBench(run.bench.description, clock)
    with integrating(integration):
        run.run()
    lines, began = run.record.lines, [read.began - run.time_zero for read in bench.references]
    settled = [number for number, line in enumerate(lines) if line["kind"] == "settled"]
    assert len(settled) == 39
    for line, pair in ((lines[number], lines[number + 1]) for number in settled):
        assert (pair["kind"], pair.get("pair")) in (("approach", None), ("reading", 0))
        assert pair["reference"]["finished"] <= line["elapsed"] <= pair["displayed"]["started"]
        last = sum(time <= pair["reference"]["started"] + 1e-6 for time in began)
        window = 2 if integration >= SECONDS_OF_SLOW_READING else 3
        assert pair["displayed"]["started"] >= began[last - window] + 2 * refreshed
        if pair["kind"] == "reading":
            point = next(line for line in lines[lines.index(pair) :] if line["kind"] == "point")
            made = [time for time in began if pair["reference"]["started"] - 1e-6 <= time <= point["elapsed"]]
            assert len(made) == point["count"]
    released = [line["elapsed"] for line in lines if line.get("step") == "select"]
    zeros = [pair for line, pair in itertools.pairwise(lines) if line.get("step") == "select"]
    assert all(pair["displayed"]["started"] >= off + 2 * refreshed for off, pair in zip(released, zeros, strict=True))


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


def test_one_wrong_reading_turns_no_reference_down(inputs: RunInputs) -> None:
    """A zero or a tenth while the load has not followed yet: the smaller range would meet the old current."""
    for wrong in (0.0, -3.0, 10.02):
        told: list[float] = []
        values = iter([100.2, wrong, 100.1, 100.1, 60.0, 30.0, 10.1, 10.0, 10.0, 10.0, 10.0, 10.0])
        _falling(inputs, values, told)
        assert told[0] == 10.1, "turned down before two readings in a row were near the current asked for"


def _falling(inputs: RunInputs, values: Iterator[float], told: list[float]) -> None:
    """Let a reference of 20 and 200 A settle on 10 A after 100 A; what it had read before its range changed goes into `told`."""
    clock = VirtualClock()
    last = math.nan

    def read() -> Reading:
        nonlocal last
        began = clock.now()
        clock.sleep(INTEGRATION_TIME)
        before, last = last, next(values)
        history.append(before)
        return Reading(last, "A", "", began, clock.now())

    history: list[float] = []
    ranges = [
        SimpleNamespace(full_scale=scale, resolution=scale * 1e-5, of_range=0.0, crest_factor=None)
        for scale in (20.0, 200.0)
    ]
    reference = SimpleNamespace(by_person=False, name="reference", address="", read=read)
    reference.configure = lambda _: told.append(history[-1])
    bench = SimpleNamespace(
        entry=lambda _: SimpleNamespace(ranges=ranges), reference_path=SimpleNamespace(factor=1.0), shelf_currents=()
    )
    station = SimpleNamespace(reference=reference, load=SimpleNamespace(by_person=False))
    run: Any = SimpleNamespace(
        bench=bench,
        station=station,
        clock=clock,
        stop=StopSignal(),
        device=inputs.device,
        pause=clock.sleep,
        writer=SimpleNamespace(write=lambda *_, **__: None),
    )
    state: Any = SimpleNamespace(current=10.0, withstood=None, steady=False, full_scale=200.0, may_flow=True)
    ReferenceCurrent(run, state, cast(Any, SimpleNamespace(check=lambda: None, watch=lambda: None))).steady()
