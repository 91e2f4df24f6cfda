"""Procedures that ask for nonsense, raise, or ask for too much."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from harness.core.errors import AbortedSafe
from harness.preparation.run_files import RunInputs
from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, Wait, procedure
from tests.on_twin import TwinRun


def with_steps(inputs: RunInputs, steps: Callable[[Device, Options], Steps]) -> RunInputs:
    return replace(inputs, procedure=procedure(title="t", revision="1")(steps))


def nonsense(step: Any) -> Callable[[Device, Options], Steps]:
    def steps(device: Device, options: Options) -> Steps:
        """Asks for one thing nobody may ask for."""
        yield Select(device.ranges[2])
        yield Observe("before", 1, "zero")
        yield step

    return steps


NONSENSE: list[tuple[Any, str]] = [
    ("hello", "expected Select, Apply, Observe, Release or Wait"),
    (Apply(0.0), "found current 0.0, expected amperes above zero"),
    (Apply(-1.0), "found current -1.0, expected amperes above zero"),
    (Apply(float("inf")), "found current inf, expected amperes above zero"),
    (Apply("3 A"), "found current '3 A', expected amperes above zero"),  # type: ignore[arg-type]
    (Apply(1.0, 0.0), "found power_factor 0.0, expected -1 to 1 but not 0, or None"),
    (Apply(1.0, "1"), "found power_factor '1', expected -1 to 1 but not 0, or None"),  # type: ignore[arg-type]
    (Observe("p", 0, "up"), "found count 0, expected at least 1"),
    (
        Observe("p", 1, "sideways"),  # type: ignore[arg-type]
        "found direction 'sideways', expected one of zero, up, down, single, hold, search, waveform, check",
    ),
    (Observe("before", 1, "up"), "found the name 'before' a second time, expected a name of its own for each point"),
    (Wait(7200), "found seconds 7200, expected above 0 and at most 3600"),
    (
        Observe("p", 1, "up"),
        "found direction 'up' with no current applied, expected Apply before it, or direction 'zero'",
    ),
]


@pytest.mark.parametrize(("step", "rule"), NONSENSE)
def test_a_procedure_that_asks_for_nonsense_is_stopped_safe_and_the_rule_is_named(
    inputs: RunInputs, step: Any, rule: str
) -> None:
    """The one that is broken, with what is allowed."""
    twin = TwinRun(with_steps(inputs, nonsense(step)))
    with pytest.raises(AbortedSafe) as caught:
        twin.run()
    assert str(caught.value).startswith(f"the procedure asks for {step!r}: {rule}; ")
    assert twin.bench.truth().peak_secondary_current < 0.04


def test_a_range_with_lifted_limits_is_no_range_of_the_file(inputs: RunInputs) -> None:
    lifted = inputs.device.ranges[2].model_copy(update={"primary_turns": 1, "maximum_current": 80.0})
    twin = TwinRun(with_steps(inputs, nonsense(Select(lifted))))
    with pytest.raises(AbortedSafe, match="expected one of the device file, unchanged: x1, x4, x20"):
        twin.run()


def test_a_zero_is_not_read_under_current(inputs: RunInputs) -> None:
    """It would be taken for the offset of the range."""

    def steps(device: Device, options: Options) -> Steps:
        """Forgets to release."""
        yield Select(device.ranges[2])
        yield Apply(1.0)
        yield Observe("zero", 1, "zero")

    with pytest.raises(AbortedSafe, match="direction 'zero' with 1 A applied, expected Release or Select before it"):
        TwinRun(with_steps(inputs, steps)).run()


def test_a_procedure_that_raises_is_stopped_safe_and_named(inputs: RunInputs) -> None:
    """An error in a user's own procedure, with the load on, ends with the load off."""

    def steps(device: Device, options: Options) -> Steps:
        """Fails in the middle."""
        yield Select(device.ranges[0])
        yield Apply(1.0)
        yield Observe("first", 1, "single")
        raise ZeroDivisionError("own mistake")

    twin = TwinRun(with_steps(inputs, steps))
    with pytest.raises(AbortedSafe, match="procedure steps failed: ZeroDivisionError: own mistake"):
        twin.run()
    assert not twin.bench.truth().load_on


def test_no_procedure_can_pass_a_maximum_test_current(inputs: RunInputs) -> None:
    """A current above the range's maximum test current is left out, whatever the procedure thinks of it."""
    got: list[str] = []

    def steps(device: Device, options: Options) -> Steps:
        """Asks for far too much."""
        yield Select(device.ranges[2])
        yield Apply(80.0)
        reading = yield Observe("too much", 1, "single")
        assert reading is not None
        got.append(reading.skipped)
        yield Release()

    twin = TwinRun(with_steps(inputs, steps))
    twin.run()
    assert "above the maximum test current of 4 A" in got[0]
    assert twin.bench.truth().peak_secondary_current < 0.04
