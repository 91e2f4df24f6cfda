"""A load that comes and goes, over whole cycles, against the energy that the simulated circuit delivered."""

from __future__ import annotations

import pytest

from harness.commands.new import BENCH_POWER, new
from harness.core.errors import Abandoned
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from harness.verified_meter.load_cycles import count_cycles
from harness.verified_meter.load_dialogue import Asked, make_safe, read_load
from harness.verified_meter.load_display import TypedDisplay
from harness.verified_meter.measured_load import MeasuredAs, measured_load
from instruments.operator.plausibility import Question
from tests.measuring import Measurer
from tests.on_twin import TwinRun

ON, OFF = 420.0, 900.0
"""Seconds of a cycle."""


class Waiting(Measurer):
    """Waits for a load that is on for 7 min and off for 15; notes when the register was read."""

    def __init__(self, run: TwinRun, current: float, power_factor: float) -> None:
        super().__init__(run.bench, current, power_factor)
        self.read_at: list[float] = []

    def confirm(self, text: str) -> str:
        if "whole cycles" not in text:
            return super().confirm(text)
        self.asked.append(text)
        for _ in range(3):
            self.bench.clock.sleep(ON)
            self._on(False)
            self.bench.clock.sleep(OFF)
            self._on(True)
        return "done"

    def read_value(self, question: Question) -> tuple[float, str]:
        found = super().read_value(question)
        if question.of == "meter energy":
            self.read_at.append(self.bench.clock.now())
        return found

    @property
    def energy(self) -> float:
        """Joules between the two looks at the register, by the circuit's power at every half second."""
        began, ended = self.read_at
        count = round(2 * (ended - began))
        instants = (began + (n + 0.5) * (ended - began) / count for n in range(count))
        return sum(abs(self.bench._circuit.power(at)) for at in instants) * (ended - began) / count


@pytest.fixture(scope="module")
def verified(tmp_path_factory: pytest.TempPathFactory) -> TwinRun:
    run = TwinRun(
        load_inputs(*new(tmp_path_factory.mktemp("cycles"), BENCH_POWER), "power_and_phase", Options(readings=2))
    )
    run.run()
    return run


@pytest.mark.parametrize("power_factor", [1.0, 0.6, -0.5])
def test_the_mean_power_over_whole_cycles_is_what_was_drawn(verified: TwinRun, power_factor: float) -> None:
    """Energy over time, elementary; the load draws for about a third of it."""
    person, results = Waiting(verified, 0.2, power_factor), verified.results()
    asked = Asked(results, person, "fridge", TypedDisplay(results.device, person, "fridge"), True)
    readings = read_load(asked, 3, verified.clock.now)
    counted = count_cycles(asked, 3, verified.clock.now)
    make_safe(person, "fridge")
    about = MeasuredAs("fridge", "", "", "", "", (230.0, 4.0), 0.0)
    found = measured_load(results, readings, about, [], counted)
    assert found.cycles is not None
    assert found.power is not None
    assert abs(found.cycles.energy.value - person.energy) <= found.cycles.energy.expanded_uncertainty
    mean = person.energy / counted.seconds
    assert abs(found.cycles.mean_power.value - mean) <= found.cycles.mean_power.expanded_uncertainty
    assert found.cycles.mean_power.value == pytest.approx(found.power.value * ON / (ON + OFF), rel=0.03)
    assert found.energy_per_year is not None
    assert found.energy_per_year.value == pytest.approx(found.cycles.mean_power.value * 365.25 * 86400)


def test_a_register_that_counted_nothing_ends_it(verified: TwinRun) -> None:
    person, results = Measurer(verified.bench, 0.2, 1.0), verified.results()
    asked = Asked(results, person, "fridge", TypedDisplay(results.device, person, "fridge"), True)
    read_load(asked, 2, verified.clock.now)
    person._on(False)
    with pytest.raises(Abandoned, match="counted nothing"):
        count_cycles(asked, 1, verified.clock.now)


def test_cycles_too_short_to_read_by_are_refused(verified: TwinRun) -> None:
    """Either end is known to 4 s: a minute is too short for a tenth."""

    class Hasty(Measurer):
        def confirm(self, text: str) -> str:
            if "whole cycle" in text:
                self.bench.clock.sleep(50)
                return "done"
            return super().confirm(text)

    person, results = Hasty(verified.bench, 2.0), verified.results()
    asked = Asked(results, person, "pump", TypedDisplay(results.device, person, "pump"), True)
    read_load(asked, 2, verified.clock.now)
    with pytest.raises(Abandoned, match=r"these cycles took \d+ s, which is too short"):
        count_cycles(asked, 1, verified.clock.now)
    make_safe(person, "pump")
