"""Instruments in the circuit: an analyser, a meter in the secondary, a voltmeter and a check standard."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from instruments.profile import load_profile
from simulated.description import (
    BenchDescription,
    CheckStandardDescription,
    InstrumentDescription,
    KnownAt,
    PowerDescription,
    ReferencePathDescription,
    ScaleDescription,
    VoltageDescription,
)
from simulated.inprocess import open_link
from simulated.physics.circuit import Seen
from simulated.physics.observers import observers
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from tests.characteristic import characteristic

SOCKET = "TCPIP::127.0.0.1::0::SOCKET"
VOLTAGE, POWER = VoltageDescription(1e-3, 1e-3), PowerDescription(1.5e-3, math.radians(0.05), 1e-3)
MILLIAMPERES = (ScaleDescription(0.01, 6e-4, 2e-4, 1e-8), ScaleDescription(0.1, 6e-4, 2e-4, 1e-7))


@pytest.fixture
def described(make_description: Callable[..., Any]) -> BenchDescription:
    """A bench with every further instrument; the reference is an analyser."""
    bench: BenchDescription = make_description()
    instruments = tuple(
        replace(i, name="analyser", profile=load_profile("scpi_power_analyser"), voltage=VOLTAGE, power=POWER)
        if i.role == "reference"
        else i
        for i in bench.instruments
    )
    multimeter = load_profile("scpi_multimeter")
    return replace(
        bench,
        instruments=(
            *instruments,
            InstrumentDescription("loop", "secondary", multimeter, SOCKET, "M-201", scales=MILLIAMPERES, burden=2.0),
            InstrumentDescription("volts", "voltage", multimeter, SOCKET, "M-202", voltage=VOLTAGE),
            InstrumentDescription(
                "standard", "check_standard", load_profile("modbus_power_meter"), "modbus-tcp://127.0.0.1:0", "5"
            ),
        ),
        check_standard=CheckStandardDescription(1.0, 2e-3, 2e-4),
    )


def driven(description: BenchDescription, current: float, power_factor: float = 1.0) -> SimulatedBench:
    """The bench with a current on x1, settled."""
    bench = SimulatedBench(description, VirtualClock())
    bench.change_load(lambda load, now: load.set_power_factor(power_factor, now))
    bench.change_load(lambda load, now: load.set_current(current, now))
    bench.set_output(True)
    bench.configure("reference", current)
    bench.configure("secondary", 0.05)
    bench.clock.sleep(2.0)
    return bench


@pytest.mark.parametrize("seed", range(30))
def test_the_analyser_stays_inside_its_whole_claim(described: BenchDescription, seed: int) -> None:
    """Voltage and power within their bounds, the phase bound through the tangent of the angle (60 degrees: 1.73)."""
    observer = observers(replace(described, seed=seed, share_of_claim=1.0))["reference"]
    observer.configure(10.0)
    for angle in (0.0, math.pi / 3, -math.pi / 3):
        readings = [observer.reading(Seen(5.0, 0.0, 230.0, angle)) for _ in range(50)]
        power = 230.0 * 5.0 * math.cos(angle)
        bound = 1.5e-3 + math.radians(0.05) * abs(math.tan(angle)) + 1e-6
        # The mean, because noise is not part of the claim.
        assert abs(statistics.fmean(r.voltage for r in readings) / 230.0 - 1) < 1e-3 + 2e-5
        assert abs(statistics.fmean(r.power for r in readings) / power - 1) < bound + 2e-5
        assert readings[0].power_factor == pytest.approx(math.copysign(math.cos(angle), angle), abs=5e-3)


def test_what_is_drawn_fills_the_claim(described: BenchDescription) -> None:
    """Evenly over a bound of a: standard deviation a / sqrt(3) (JCGM 100:2008, 4.3.7); with a share of 0.6, 0.6 of it."""

    def spread(share: float) -> float:
        means = []
        for seed in range(300):
            observer = observers(replace(described, seed=seed, share_of_claim=share))["reference"]
            observer.configure(10.0)
            means.append(statistics.fmean(observer.reading(Seen(5.0, 0.0, 230.0, 0.0)).voltage for _ in range(4)))
        return statistics.stdev(means) / 230.0

    # 300 draws tell a standard deviation to about 4 %; the bound is three of those.
    assert spread(1.0) == pytest.approx(1e-3 / math.sqrt(3), rel=0.12)
    assert spread(0.6) == pytest.approx(0.6e-3 / math.sqrt(3), rel=0.12)


def test_the_reference_transformers_deviations_are_those_of_its_certificate(described: BenchDescription) -> None:
    """Expanded uncertainties are twice the standard deviation (JCGM 100:2008, 6.3): factor 0.1 %, phase 0.1 degrees."""
    path = ReferencePathDescription((KnownAt(5.0, 0.0, 1e-3),), (KnownAt(5.0, math.radians(0.3), math.radians(0.1)),))
    exact = replace(described, share_of_claim=0.0, reference_path=path)
    ratios, shifts = [], []
    for seed in range(300):
        kept = next(i for i in exact.instruments if i.role == "reference")
        ideal = replace(kept, scales=(ScaleDescription(10.0, 0.0, 0.0, 1e-9),), power=PowerDescription(0.0, 0.0, 1e-9))
        observer = observers(replace(exact, instruments=(ideal,), seed=seed, share_of_claim=1.0))["reference"]
        at_unity, lagging = (observer.reading(Seen(5.0, 0.0, 230.0, a)) for a in (0.0, math.pi / 3))
        ratios.append(at_unity.current / 5.0 - 1)
        shifts.append(60.0 - lagging.phase)
    assert statistics.stdev(ratios) == pytest.approx(0.5e-3, rel=0.12)
    assert statistics.fmean(shifts) == pytest.approx(0.3, abs=0.02)
    # Its voltage channel's gain turns up in the power factor and so in the phase: 0.1 % is 0.033 degrees at most.
    assert statistics.stdev(shifts) == pytest.approx(0.05, rel=0.5)


def test_a_standard_established_with_the_reference_agrees_with_it(described: BenchDescription) -> None:
    """JCGM 100:2008, F.1.2.4: what the reference got wrong when the ratio was found is in the ratio, and drops out.

    Scales off by up to 0.04 % of reading and 0.01 % of range, and 0.1 % of the path (k = 2): far more than the 1e-6 known of the ratio.
    """
    spread = {}
    for at in (None, 5.0):
        known = CheckStandardDescription(1.0, 1e-6, 0.0, at)
        path = ReferencePathDescription((KnownAt(5.0, 0.0, 1e-3),))
        ratios = []
        for seed in range(30):
            whole = replace(described, check_standard=known, reference_path=path, seed=seed, share_of_claim=1.0)
            both = observers(whole)
            both["reference"].configure(5.0)
            seen = [Seen(5.0, 0.0, 230.0, 0.0)] * 20
            read, shown = (
                statistics.fmean(both[part].reading(s).current for s in seen)
                for part in ("reference", "check_standard")
            )
            ratios.append(shown / read)
        spread[at] = statistics.stdev(ratios)
    # What is left are both readings' noise of 2e-5 over twenty, and half a step.
    assert spread[5.0] < 2e-5
    assert spread[None] == pytest.approx(math.hypot(0.5e-3, 4e-4 / math.sqrt(3), 2e-4 / math.sqrt(3)), rel=0.4)


def test_one_trigger_is_one_measurement(described: BenchDescription) -> None:
    """All quantities of the analyser come from the same instant: P = U I PF to their last digit; a new one differs."""
    bench = driven(described, 10.0, 0.5)
    analyser: Any = open_link(bench, "analyser")
    seen = []
    for _ in range(2):
        analyser.write("INIT")
        analyser.write("*TRG")
        names = ("CURR:AC?", "VOLT:AC?", "POW:AC?", "POW:AC:PFAC?", "PHAS?")
        seen.append([float(analyser.query(f"FETC:{name}")) for name in names])
        current, voltage, power, power_factor, phase = seen[-1]
        assert power == pytest.approx(voltage * current * power_factor, rel=1e-7)
        assert phase == pytest.approx(60.0, abs=0.1)
        assert power == pytest.approx(bench.measure("load").power, rel=5e-3)
    assert seen[0] != seen[1]


def test_a_leading_current_has_a_negative_power_factor(described: BenchDescription) -> None:
    """The analyser and the load say it with the sign; the power is positive all the same."""
    bench = driven(described, 10.0, -0.5)
    measured = bench.measure("reference")
    assert measured.power_factor == pytest.approx(-0.5, abs=5e-3)
    assert measured.power == pytest.approx(230 * 10 * 0.5, rel=0.01)


def test_the_meter_in_the_secondary(described: BenchDescription) -> None:
    """10 A in one turn on 2500 is 4 mA, and 8 mV across its 2 ohm: it has no mains on its terminals."""
    bench = driven(described, 10.0)
    loop: Any = open_link(bench, "loop")
    loop.write("CONF:CURR:AC 0.01")
    truth = abs(1 + characteristic(bench).transformer_error("x1", 10.0)) * bench.mean_current(1.9, 2.0) / 2500
    assert float(loop.query("READ?")) == pytest.approx(4e-3, rel=0.01)
    # Its claim on 10 mA at 4 mA: 0.06 % and 0.02 % of 10 mA, together 0.11 %.
    assert float(loop.query("READ?")) == pytest.approx(truth, rel=1.1e-3)
    loop.write("CONF:VOLT:AC 1")
    assert float(loop.query("READ?")) == pytest.approx(8e-3, abs=0.02)


def test_a_meter_in_the_secondary_is_a_burden(described: BenchDescription) -> None:
    """Complex error -Zs Ym / (1 + Zs Ym), textbook: 36.5 ohm on 73 ohm makes it half as large again.

    A little less, because the core is driven further up its permeability.
    """
    errors = []
    for burden in (1e-9, 36.5):
        loaded = tuple(replace(i, burden=burden) if i.role == "secondary" else i for i in described.instruments)
        bench = SimulatedBench(replace(described, instruments=loaded), VirtualClock())
        errors.append(characteristic(bench).transformer_error("x1", 1.0))
    assert 1.4 < abs(errors[1]) / abs(errors[0]) < 1.5
    assert errors[1].real < errors[0].real < 0


def test_the_voltmeter_reads_volts_and_carries_no_current(described: BenchDescription) -> None:
    """Within its 0.1 % of what there is, around 230 V (IEC 60038)."""
    bench = driven(described, 10.0)
    volts: Any = open_link(bench, "volts")
    volts.write("CONF:VOLT:AC 300")
    reading = float(volts.query("READ?"))
    assert reading == pytest.approx(bench.measure("load").voltage, rel=1e-3)
    assert reading == pytest.approx(230.0, rel=0.005)
    assert bench.measure("voltage").current < 1e-4


def test_the_check_standard_stays_where_it_is(described: BenchDescription) -> None:
    """Many days on one bench scatter by its 0.02 % around a deviation that is inside its 0.2 %; one day repeats."""

    def ratio(day: int) -> float:
        observer = observers(replace(described, day=day))["check_standard"]
        return statistics.fmean(observer.reading(Seen(10.0, 0.0, 230.0, 0.0)).current for _ in range(8)) / 10.0

    days = [ratio(day) for day in range(200)]
    assert statistics.stdev(days) == pytest.approx(2e-4, rel=0.15)
    assert 0 < abs(statistics.fmean(days) - 1.0) < 2e-3
    assert ratio(3) == days[3]


def test_the_check_standard_over_its_registers(described: BenchDescription) -> None:
    """10 A, 1150 W at 0.5; it counts no energy, so those registers are not there (exception 2)."""
    bench = driven(described, 10.0, 0.5)
    standard: Any = open_link(bench, "standard")
    low, high = standard.read_registers("holding", 0, 2)
    assert (high * 65536 + low) * 1e-3 == pytest.approx(10.0, rel=5e-3)
    low, high = standard.read_registers("holding", 4, 2)
    assert (high * 65536 + low) * 0.1 == pytest.approx(1150.0, rel=0.01)
    with pytest.raises(LookupError):
        standard.read_registers("holding", 8, 2)


def test_a_check_standard_that_nothing_is_known_of(described: BenchDescription) -> None:
    """Refused: there is nothing to draw its deviation from."""
    with pytest.raises(ValueError, match="check standard"):
        observers(replace(described, check_standard=None))
