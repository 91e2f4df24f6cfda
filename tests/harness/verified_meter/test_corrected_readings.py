"""What a display shows of one load together, against the circuit of the simulated bench, whose power and energy are known."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import pytest

from harness.commands.new import BENCH_POWER, new
from harness.core.errors import UserError
from harness.preparation.run_files import load_inputs
from harness.results import Results
from harness.steps import Options
from harness.verified_meter.corrected_readings import CURRENT, ENERGY, FACTOR, POWER, ShownTogether, corrected_readings
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredReading
from simulated.physics.load import CurrentSource
from tests.on_twin import TwinRun

AMPERES, WATTS, JOULES = 0.001, 0.1, 360.0
"""Steps of the display of the shipped pair."""


def twin(folder_of: pytest.TempPathFactory, procedure: str) -> TwinRun:
    run = TwinRun(load_inputs(*new(folder_of.mktemp(procedure), BENCH_POWER), procedure, Options(readings=2)))
    run.run()
    return run


@pytest.fixture(scope="module")
def power_verified(tmp_path_factory: pytest.TempPathFactory) -> TwinRun:
    return twin(tmp_path_factory, "power_and_phase")


@pytest.fixture(scope="module")
def register_verified(tmp_path_factory: pytest.TempPathFactory) -> TwinRun:
    return twin(tmp_path_factory, "energy_register")


def put_on(run: TwinRun, range_name: str, current: float, power_factor: float) -> None:
    run.bench.set_output(False)
    run.bench.turn_switch(range_name)

    def on(load: CurrentSource, time: float) -> None:
        load.set_protection(load.maximum_current)
        load.set_power_factor(power_factor, time)
        load.set_current(current, time)
        load.set_output(True, time)

    run.bench.change_load(on)
    run.clock.sleep(120)


def held(found: MeasuredReading, true: float) -> bool:
    """Whether both intervals hold what was true."""
    plain, wide = found.uncorrected
    return abs(found.corrected.value - true) <= found.corrected.expanded_uncertainty and abs(plain - true) <= wide


@pytest.mark.parametrize("power_factor", [1.0, 0.9, 0.5, -0.5, -0.8, 0.3])
@pytest.mark.parametrize(("range_name", "current"), [("x20", 0.13), ("x4", 1.1), ("x1", 30.0)])
def test_current_power_power_factor_and_energy_hold_what_flowed(
    power_verified: TwinRun, range_name: str, current: float, power_factor: float
) -> None:
    """Active power is voltage times current times the cosine of the angle; an hour of it is the energy."""
    run, bench = power_verified, power_verified.bench
    put_on(run, range_name, current, power_factor)
    before, began = bench.displayed_energy(), run.clock.now()
    shown = bench.shown()
    # Its current wanders: what is shown is of now, what is counted of the whole hour.
    flowing, power = bench._circuit.flowing(began), bench._circuit.power(began)
    run.clock.sleep(3600)
    rose, seconds = bench.displayed_energy() - before, run.clock.now() - began
    instants = [began + seconds * n / 720 for n in range(720)]
    mean = sum(bench._circuit.power(at) for at in instants) / len(instants)
    values = {
        CURRENT: (DisplayedValue(shown.current, AMPERES),),
        POWER: (DisplayedValue(shown.power, WATTS),),
        FACTOR: (DisplayedValue(abs(shown.power_factor), 0.001),),
        ENERGY: (DisplayedValue(rose, JOULES),),
    }
    found, said = corrected_readings(
        run.results(), range_name, ShownTogether(values, DisplayedValue(seconds, 0.1)), 0.0
    )
    named = {one.quantity: one for one in found}
    assert list(named) == [CURRENT, FACTOR, POWER, ENERGY, "mean power"]
    assert held(named[CURRENT], flowing)
    assert held(named[POWER], abs(power))
    assert held(named[FACTOR], abs(bench._circuit.load.power_factor))
    assert held(named[ENERGY], abs(mean) * seconds)
    assert held(named["mean power"], abs(mean))
    assert "the register itself was not compared" in said[0]


def test_a_register_that_was_compared_speaks_of_the_current_and_power_factor_of_the_comparison(
    register_verified: TwinRun,
) -> None:
    run, bench = register_verified, register_verified.bench
    put_on(run, "x4", 20.0, 1.0)
    before, began = bench.displayed_energy(), run.clock.now()
    shown = bench.shown().current
    run.clock.sleep(1800)
    rose, seconds = bench.displayed_energy() - before, run.clock.now() - began
    true = bench._circuit.power(run.clock.now()) * seconds
    values = {CURRENT: (DisplayedValue(shown, AMPERES),), ENERGY: (DisplayedValue(rose, JOULES),)}
    (_, energy, _), said = corrected_readings(
        run.results(), "x4", ShownTogether(values, DisplayedValue(seconds, 0.1)), 0.0
    )
    assert held(energy, true)
    assert "power factor 1, as in the comparison" in said[0]
    values[FACTOR] = (DisplayedValue(0.5, 0.001),)
    with pytest.raises(UserError, match=r"compared at a power factor of 1, and 0\.5 is shown"):
        corrected_readings(run.results(), "x4", ShownTogether(values, DisplayedValue(seconds, 0.1)), 0.0)


def test_energy_and_mean_power_by_hand(register_verified: TwinRun) -> None:
    """100 steps of 1 Wh: at either end one step, +-0.5 %, u = 0.289 % each (JCGM 100:2008, 4.3.7); in 10 min, read to a minute, +-5 % each."""
    results = without_error(register_verified.results())
    values = {
        CURRENT: (DisplayedValue(80.0, AMPERES),),
        ENERGY: (DisplayedValue(100 * 3600.0, 3600.0),),
    }
    found, _ = corrected_readings(results, "x4", ShownTogether(values, DisplayedValue(600.0, 60.0)), 0.0)
    energy, mean = found[1], found[2]
    assert energy.corrected.value == pytest.approx(25 * 3600.0)
    assert mean.corrected.value == pytest.approx(150.0)
    assert energy.corrected.standard_uncertainty == pytest.approx(25 * 3600 * 0.005 / math.sqrt(3) * math.sqrt(2))
    assert mean.corrected.standard_uncertainty == pytest.approx(150 * math.hypot(0.05, 0.005) * math.sqrt(2 / 3))


def without_error(results: Results) -> Results:
    """The register of every range without error."""

    ranges = []
    for rng in results.ranges:
        assert rng.register is not None
        exact = dataclasses.replace(rng.register.error, value=0.0, standard_uncertainty=0.0)
        ranges.append(dataclasses.replace(rng, register=dataclasses.replace(rng.register, error=exact)))
    return dataclasses.replace(results, ranges=tuple(ranges))


def _one(**shown: float) -> dict[str, tuple[DisplayedValue, ...]]:
    return {name.replace("_", " "): (DisplayedValue(value, 0.001),) for name, value in shown.items()}


@pytest.mark.parametrize(
    ("shown", "seconds", "expected"),
    [
        (_one(active_power=20.0), None, "found an active power without a current and a power factor"),
        (_one(current=2.4, active_power=20.0), None, "without a power factor.*give a voltage to ratioproof measure"),
        (_one(power_factor=0.5), None, "found a power factor without a current"),
        (_one(energy=7200.0), 60.0, "found an energy without a current"),
        (_one(current=2.4, energy=7200.0), None, "--over: expected a time with an energy"),
        (_one(current=2.4), 60.0, "--over: expected a time with an energy"),
        (_one(current=2.4, energy=7200.0), 60.0, "an energy without a power factor, which bounds its error"),
        (_one(current=2.4, power_factor=0.004, active_power=2.0), None, "may change the power by"),
        # 2.4 A at a power factor of 0.388: 214 W at 230 V; with a digit lost 23 V.
        (
            _one(current=2.4, power_factor=0.388, active_power=21.4),
            None,
            r"contradict each other: together they are of 2\d\.\d* V",
        ),
        (_one(current=2.4, power_factor=0.388, active_power=2140.0), None, "contradict each other"),
    ],
)
def test_what_lacks_its_companion_is_refused(
    power_verified: TwinRun,
    shown: dict[str, tuple[DisplayedValue, ...]],
    seconds: float | None,
    expected: str,
) -> None:
    time = None if seconds is None else DisplayedValue(seconds, 1.0)
    with pytest.raises(UserError, match=expected):
        corrected_readings(power_verified.results(), "x20", ShownTogether(shown, time), 0.0)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda r: dataclasses.replace(r, register=None), "neither power nor the register of range x20 was verified"),
        (lambda r: dataclasses.replace(r, points=(dataclasses.replace(r.points[0], nominal_current=2.0), *r.points[1:-1],
            dataclasses.replace(r.points[-1], nominal_current=2.0))), r"was compared at 2 A, and 3\.9"),
    ],
)  # fmt: skip
def test_energy_says_what_to_run_where_nothing_supports_it(
    register_verified: TwinRun, change: Callable[..., object], expected: str
) -> None:
    results = register_verified.results()
    ranges = tuple(change(r) if r.name == "x20" else r for r in results.ranges)
    shown = ShownTogether(_one(current=80.0, energy=7200.0), DisplayedValue(60.0, 1.0))
    with pytest.raises(UserError, match=expected):
        corrected_readings(dataclasses.replace(results, ranges=ranges), "x20", shown, 0.0)  # type: ignore[arg-type]


def test_power_where_it_was_never_verified_is_refused(register_verified: TwinRun) -> None:
    shown = ShownTogether(_one(current=80.0, active_power=18000.0, power_factor=0.99))
    with pytest.raises(UserError, match=r"phase displacement of range x20 was not found at 3\.99. A \(procedure power"):
        corrected_readings(register_verified.results(), "x20", shown, 0.0)
