"""What the device shows of power: textbook power, small loads lost below the threshold and lifted above it by turns."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from simulated.description import MeterDescription, ShelfDescription
from simulated.physics.module import Module
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from tests.characteristic import characteristic

MakeDesk = Callable[..., Any]


def watching(meter: MeterDescription) -> MeterDescription:
    """A device with milliamperes, tenths of a watt and a threshold of 20 mA on one turn and on ten."""
    return replace(
        meter, resolution=1e-3, smallest_readable_current=0.02, power_resolution=0.1, power_factor_resolution=1e-3
    )


def draw(desk: Any, range_name: str, current: float, power_factor: float) -> Any:
    """What is displayed while the source draws `current` amperes at `power_factor`."""
    desk.source.write("OUTP OFF")
    desk.select(range_name)
    desk.source.write(f"SOUR:PFAC {power_factor}")
    desk.source.write(f"SOUR:CURR {current}")
    desk.source.write("OUTP ON")
    desk.clock.sleep(2.0)
    assert desk.source.query("SYST:ERR?").startswith("0,")
    return desk.bench.shown()


# A published table of a current transformer shifted by 1.0 degree, 1000 VA: power factor, kW as metered.
SHIFTED = [(1.0, 999.85), (0.9, 907.47), (0.8, 810.35), (0.7, 712.36), (0.6, 613.87), (0.5, 515.04)]


@pytest.mark.parametrize(("power_factor", "metered"), SHIFTED)
def test_power_of_a_shifted_transformer(power_factor: float, metered: float) -> None:
    """A secondary that leads by a degree meters a lagging load too high: +0.830 % at 0.9 to +3.008 % at 0.5."""
    module = Module(1.0, 1.0, 0.0, 1e-3, 0.02, 1.0, 1e6, 1)
    power = module.power(cmath.rect(4.0, math.radians(1.0)), 250.0, math.acos(power_factor))
    assert power == pytest.approx(metered, abs=0.01)
    # The same shift in the module's own channels does the same.
    own = replace(module, phase_error=math.radians(1.0))
    assert own.power(4.0 + 0j, 250.0, math.acos(power_factor)) == pytest.approx(metered, abs=0.01)


@pytest.mark.parametrize(
    ("power_factor", "percent"), [(0.9, 0.830), (0.8, 1.294), (0.7, 1.765), (0.6, 2.312), (0.5, 3.008)]
)
def test_power_error_of_the_bench_is_the_tables(
    make_desk: MakeDesk, plain_meter: MeterDescription, power_factor: float, percent: float
) -> None:
    """The bench's own displacement, which is small, does to its power what the table's degree does, in proportion.

    To first order the error goes with the displacement; the table's second order (-0.0152 %) is taken off.
    """
    bench = make_desk(meter=plain_meter).bench
    at_unity = characteristic(bench).power_error("one", 20.0, 1.0)
    degrees = math.degrees(characteristic(bench).phase_displacement("one", 20.0))
    shift = characteristic(bench).power_error("one", 20.0, power_factor) - at_unity
    assert 0.01 < degrees < 1.0
    assert shift * 100 == pytest.approx((percent + 0.0152) * degrees, rel=5e-3)
    # A leading current errs as much the other way.
    assert characteristic(bench).power_error("one", 20.0, -power_factor) - at_unity == pytest.approx(-shift, rel=5e-3)


@pytest.mark.parametrize("power_factor", [1.0, 0.8, 0.5, -0.5, -0.9])
def test_power_is_voltage_times_current_times_cosine(make_desk: MakeDesk, power_factor: float) -> None:
    """230 V (IEC 60038), 40 A: P = U I cos(phi), textbook; within the device's own errors, a percent or two at 0.5."""
    desk = make_desk()
    shown = draw(desk, "x1", 40.0, power_factor)
    assert shown.current == pytest.approx(40.0, rel=0.01)
    assert shown.power == pytest.approx(230.0 * 40.0 * abs(power_factor), rel=0.02)
    assert shown.power_factor == pytest.approx(abs(power_factor), abs=0.01)


def test_a_small_lamp_is_not_there_on_one_turn(make_desk: MakeDesk, plain_meter: MeterDescription) -> None:
    """A capacitor-dropper lamp of about 12 mA: zero current and power factor 1 below a 20 mA threshold, about 0.4 once
    ten turns lift it above (common practice, no published source).
    """
    desk = make_desk(meter=watching(plain_meter))
    lost = draw(desk, "one", 0.012, -0.4)
    assert (lost.current, lost.power, lost.power_factor) == (0.0, 0.0, 1.0)
    seen = draw(desk, "ten", 0.012, -0.4)
    assert seen.current == pytest.approx(0.12, abs=0.003)
    assert seen.power_factor == pytest.approx(0.4, abs=0.015)
    assert seen.power == pytest.approx(230 * 0.12 * 0.4, rel=0.05)


def test_sixteen_milliamperes_are_zero_amperes(make_desk: MakeDesk, plain_meter: MeterDescription) -> None:
    """16 mA at power factor 0.44 is seen as 0 A and 1 (common practice, no published source)."""
    shown = draw(make_desk(meter=watching(plain_meter)), "one", 0.016, 0.44)
    assert (shown.current, shown.power, shown.power_factor) == (0.0, 0.0, 1.0)


def test_a_check_load_reads_ten_times_as_much_on_ten_turns(make_desk: MakeDesk, plain_meter: MeterDescription) -> None:
    """0.18 A, 32.6 W, power factor 0.75: ten times the amperes and the watts (common practice, no published source).

    32.6 W at 0.18 A and 0.75 is 241.5 V; at the 230 V of this bench it is 31.05 W.
    """
    desk = make_desk(meter=watching(plain_meter))
    one, ten = (draw(desk, name, 0.18, 0.75) for name in ("one", "ten"))
    assert one.power == pytest.approx(32.6 * 230 / 241.5, rel=0.015)
    assert ten.current / one.current == pytest.approx(10.0, rel=0.015)
    assert ten.power / one.power == pytest.approx(10.0, rel=0.015)
    assert ten.power_factor == pytest.approx(0.75, abs=0.01)


def test_a_primary_that_runs_backwards_shows_negative_power(make_desk: MakeDesk) -> None:
    """A reversed section of three turns against the base turn leaves minus two: amperes positive, watts negative."""
    desk = make_desk("section-reversed:x4")
    shown = draw(desk, "x4", 10.0, 0.8)
    assert shown.current == pytest.approx(20.0, rel=0.01)
    assert shown.power == pytest.approx(-230 * 20 * 0.8, rel=0.02)
    assert shown.power_factor == pytest.approx(-0.8, abs=0.01)
    assert characteristic(desk.bench).power_error("x4", 10.0, 0.8) == pytest.approx(-1.5, abs=0.02)
    assert characteristic(desk.bench).transformer_error("x4", 10.0).real == pytest.approx(-1.5, abs=0.01)


@pytest.mark.parametrize("range_name", ["x1", "x4", "x20"])
def test_the_smallest_current_divides_what_is_seen_from_what_is_not(make_desk: MakeDesk, range_name: str) -> None:
    """About the threshold of 20 mA divided by the turns; 5 % below it the display stays at zero, 5 % above it shows."""
    desk = make_desk()
    smallest = characteristic(desk.bench).smallest_current(range_name)
    turns = {"x1": 1, "x4": 4, "x20": 20}[range_name]
    assert smallest == pytest.approx(0.020 / turns, rel=0.03)
    # The source is off by up to 0.2 %, the noise of the display by 1 % of the threshold.
    assert draw(desk, range_name, 0.95 * smallest, 1.0).current == 0.0
    assert draw(desk, range_name, 1.05 * smallest, 1.0).current > 0.0


def test_energy_is_power_over_time_and_nothing_creeps(make_desk: MakeDesk, meter: MeterDescription) -> None:
    """10 A at 230 V for an hour is 2.3 kWh; what is below the threshold counts nothing, for a day."""
    desk = make_desk(meter=replace(meter, energy_resolution=360.0))
    desk.select("x1")
    desk.apply(10.0)
    before = desk.bench.displayed_energy()
    desk.clock.sleep(3600.0)
    counted = desk.bench.displayed_energy() - before
    assert counted == pytest.approx(2300 * 3600, rel=0.01)
    assert counted % 360.0 == 0.0
    draw(desk, "x1", 0.015, 1.0)
    before = desk.bench.displayed_energy()
    desk.clock.sleep(86400.0)
    assert desk.bench.displayed_energy() == before


def test_a_load_off_the_shelf_brings_its_power_factor(
    make_description: Callable[..., Any], plain_meter: MeterDescription
) -> None:
    """Plugged in, the lamp leads at 0.4; a load nobody described is a heater."""
    described = make_description(meter=watching(plain_meter))
    shelf = (ShelfDescription(0.012, -0.4), ShelfDescription(2.0))
    loaded = tuple(replace(i, shelf=shelf) if i.role == "load" else i for i in described.instruments)
    bench = SimulatedBench(replace(described, instruments=loaded), VirtualClock())
    for current, power_factor in ((0.012, -0.4), (2.0, 1.0), (3.0, 1.0)):
        bench.plug(0.0)
        bench.turn_switch("ten")
        bench.plug(current)
        bench.clock.sleep(2.0)
        assert bench.load.power_factor == power_factor
        assert bench.shown().power_factor == pytest.approx(abs(power_factor), abs=0.015)


def test_what_power_factor_a_load_takes(make_desk: MakeDesk) -> None:
    """-1 to -0.1 and 0.1 to 1; nearer to zero it queues -222 (data out of range, SCPI-99) and keeps what it had."""
    source = make_desk().source
    for given, kept in (("-1", -1), ("-0.1", -0.1), ("0.05", -0.1), ("-0.099", -0.1), ("0.1", 0.1), ("1.01", 0.1)):
        source.write(f"SOUR:PFAC {given}")
        assert float(source.query("SOUR:PFAC?")) == kept
        assert source.query("SYST:ERR?").startswith("0," if float(given) == kept else "-222")
