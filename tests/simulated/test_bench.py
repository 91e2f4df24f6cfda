"""The bench as a whole: what flows, what melts, what is remembered."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from simulated.description import MeterDescription
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from tests.characteristic import characteristic

MakeDesk = Callable[..., Any]


@pytest.mark.parametrize(
    ("range_name", "primary", "secondary"),
    [("one", 100.0, 100e-3), ("one", 4.4, 4.4e-3), ("ten", 4.4, 44e-3), ("ten", 8.3, 83e-3), ("ten", 0.02, 200e-6)],
)
def test_what_arrives_in_the_secondary(
    make_desk: MakeDesk, plain_meter: MeterDescription, range_name: str, primary: float, secondary: float
) -> None:
    """1:1000 with one turn and ten (common practice, no published source): 4.4 A is 4.4 mA and 44 mA."""
    desk = make_desk(meter=plain_meter)
    desk.select(range_name)
    desk.apply(primary)
    truth = desk.bench.truth()

    assert truth.peak_secondary_current == pytest.approx(secondary, rel=0.01)
    # What the display shows is the secondary current times 1000, so the terminals agree with the physics.
    assert desk.displayed() / 1000 == pytest.approx(secondary, rel=0.01)


def test_same_ampere_turns_same_error(make_desk: MakeDesk) -> None:
    """The transformer cannot tell 80 A in one turn from 4 A in twenty (textbook: N passes of I are N I ampere-turns)."""
    bench = make_desk().bench
    assert characteristic(bench).ratio_error("x1", 80.0) == pytest.approx(
        characteristic(bench).ratio_error("x20", 4.0), abs=1e-12
    )
    assert characteristic(bench).ratio_error("x1", 0.8) == pytest.approx(
        characteristic(bench).ratio_error("x4", 0.2), abs=1e-12
    )
    assert characteristic(bench).ratio_error("x1", 0.8) < characteristic(bench).ratio_error("x1", 80.0)


def test_truth_is_what_the_terminals_show(make_desk: MakeDesk) -> None:
    """Many readings of one point average to the true ratio error, within the reference's claim."""
    desk = make_desk()
    desk.select("x4")
    desk.apply(10.0)
    ratios = []
    for _ in range(50):
        desk.clock.sleep(0.2)
        ratios.append(desk.displayed() * 0.25 / desk.reading() - 1)

    assert sum(ratios) / 50 == pytest.approx(characteristic(desk.bench).ratio_error("x4", 10.0), abs=6e-4)


def test_a_fuse_melts_when_overdriven(make_desk: MakeDesk) -> None:
    """50 A into twenty turns is 400 mA in a 50 mA fuse: eight times its rating melts within the 0.1 s IEC 60127-2
    allows at four times (sheet 2, value from memory). Then the display is dead, for good.
    """
    desk = make_desk()
    desk.select("x20")
    desk.source.write("SOUR:CURR 50")
    desk.source.write("OUTP ON")
    desk.clock.sleep(0.2)
    truth = desk.bench.truth()

    assert not truth.secondary_fuse_intact
    assert truth.input_overdriven
    assert truth.peak_secondary_current > 0.15

    desk.source.write("OUTP OFF")
    desk.select("x1")
    desk.apply(10.0)
    assert desk.displayed() == 0.0
    assert desk.reading() == pytest.approx(10.0, rel=0.01)


def test_a_short_excursion_is_remembered(make_desk: MakeDesk) -> None:
    """1.4 times the fuse's rating: the fuse holds for good, the input was overdriven all the same."""
    desk = make_desk()
    desk.select("x20")
    desk.apply(8.7)
    desk.source.write("SOUR:CURR 0")
    desk.clock.sleep(3600.0)
    truth = desk.bench.truth()

    assert truth.secondary_fuse_intact
    assert truth.input_overdriven
    assert 0.065 < truth.peak_secondary_current < 0.072


def test_normal_use_harms_nothing(make_desk: MakeDesk) -> None:
    """Hours at the top of every range: fuse intact, input inside its limit."""
    desk = make_desk()
    for name, top in (("x1", 80.0), ("x4", 20.0), ("x20", 4.0)):
        desk.source.write("OUTP OFF")
        desk.select(name)
        desk.apply(top)
        desk.clock.sleep(7200.0)
    truth = desk.bench.truth()

    assert truth.secondary_fuse_intact
    assert not truth.input_overdriven
    assert not truth.switched_under_load
    assert truth.peak_secondary_current == pytest.approx(0.032, rel=0.01)


def test_turning_the_switch_under_load_is_noticed_at_once(make_desk: MakeDesk) -> None:
    """80 A meant for x1 flows through twenty turns from the moment the switch is there, also with no time passing."""
    desk = make_desk()
    desk.apply(80.0)
    desk.bench.turn_switch("x20")
    truth = desk.bench.truth()

    assert truth.switched_under_load
    assert truth.input_overdriven


def test_open_contacts_carry_no_current(make_desk: MakeDesk) -> None:
    """With every contact open neither the reference nor the meter sees the source."""
    desk = make_desk()
    desk.apply(10.0)
    assert desk.reading() == pytest.approx(10.0, rel=0.01)
    desk.relay.write("ROUTe:OPEN:ALL")
    desk.clock.sleep(1.0)

    assert desk.relay.query("ROUT:CLOS? (@101)") == "0"
    assert desk.reading() < 1e-2
    assert desk.displayed() == 0.0


def test_the_display_is_latched(make_desk: MakeDesk, meter: MeterDescription) -> None:
    """It changes at its refresh instants only, and shows the mean of the interval before: half a step, half the value."""
    desk = make_desk(meter=replace(meter, refresh_interval=10.0))
    desk.clock.sleep(15.0 - desk.clock.now())
    desk.source.write("SOUR:CURR 10")
    desk.source.write("OUTP ON")
    shown = []
    for time in (19.9, 20.1, 29.9, 30.1):
        desk.clock.sleep(time - desk.clock.now())
        shown.append(desk.bench.shown().current)

    assert shown[0] == 0.0
    assert shown[1] == pytest.approx(5.0, rel=0.1)
    assert shown[2] == shown[1]
    assert shown[3] == pytest.approx(10.0, rel=0.006)


def test_a_reading_takes_its_time_and_is_fresh(make_desk: MakeDesk) -> None:
    """READ? integrates for 0.1 s; two reads together take no longer than the longer one."""
    desk = make_desk()
    desk.apply(10.0)
    begin = desk.clock.now()
    shown = desk.displayed()
    with desk.clock.since(begin):
        reading = desk.reading()

    assert desk.clock.now() - begin == pytest.approx(0.1, abs=0.005)
    assert reading == pytest.approx(shown, rel=0.006)
    assert len({desk.reading() for _ in range(10)}) > 5


def test_the_wander_is_common_to_reference_and_meter(make_desk: MakeDesk, meter: MeterDescription) -> None:
    """The current moves more than the ratio of the two does: that is why they are read together."""
    desk = make_desk(meter=replace(meter, resolution=1e-4))
    desk.apply(40.0)
    readings, ratios = [], []
    for _ in range(200):
        desk.clock.sleep(1.0)
        begin, shown = desk.clock.now(), desk.displayed()
        with desk.clock.since(begin):
            reading = desk.reading()
        readings.append(reading / 40.0)
        ratios.append(shown / reading)

    assert max(readings) - min(readings) > 8e-4
    assert (sum((r - sum(ratios) / 200) ** 2 for r in ratios) / 200) ** 0.5 < 2e-4


def test_a_shunt_or_a_transformer_before_the_reference(make_desk: MakeDesk) -> None:
    """A 100:1 reference transformer: the reference reads a hundredth."""
    desk = make_desk(reference_factor=100.0)
    desk.source.write("SOUR:CURR 40")
    desk.source.write("OUTP ON")
    desk.multimeter.write("CONF:CURR:AC 1")
    desk.clock.sleep(2.0)
    assert desk.reading() == pytest.approx(0.4, rel=0.01)


def test_overload_is_9_9e37(make_desk: MakeDesk) -> None:
    """SCPI-1999 volume 1, 7.2.1.4 (value from memory): infinity is 9.9E37."""
    desk = make_desk()
    desk.apply(10.0)
    desk.multimeter.write("CONF:CURR:AC 1")
    assert desk.reading() == 9.9e37


def test_the_source_refuses_over_its_limit(make_desk: MakeDesk) -> None:
    """-222 for a setpoint over the protection limit; what was set before stays."""
    desk = make_desk()
    desk.source.write("SOUR:CURR:PROT 20")
    desk.source.write("SOUR:CURR 15")
    desk.source.write("SOUR:CURR 21")
    assert desk.source.query("SYST:ERR?") == '-222,"Data out of range"'
    assert float(desk.source.query("SOUR:CURR?")) == 15.0
    assert float(desk.source.query("SOUR:CURR:PROT?")) == 20.0
    desk.source.write("*RST")
    assert float(desk.source.query("SOUR:CURR?")) == 0.0
    assert desk.source.query("OUTP?") == "0"


def test_the_same_seed_gives_the_same_run(make_desk: MakeDesk) -> None:
    """Two benches with one seed agree to the last digit; another seed differs."""

    def run(seed: int) -> list[float]:
        desk = make_desk(seed=seed)
        desk.apply(7.0)
        return [desk.reading(), desk.displayed(), desk.reading()]

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_several_threads(make_desk: MakeDesk) -> None:
    """Readers and a switch turner at once: no exception, and every reading is a possible one."""
    desk = make_desk()
    desk.apply(1.0)
    failures: list[Exception] = []

    def work(action: Callable[[int], object]) -> None:
        try:
            for i in range(200):
                action(i)
        except Exception as failure:  # noqa: BLE001 - reported by the assertion below
            failures.append(failure)

    actions: list[Callable[[int], object]] = [
        lambda i: desk.bench.turn_switch(("x1", "x4", "x20")[i % 3]),
        lambda _: desk.bench.shown().current,
        lambda _: desk.bench.read_reference(),
        lambda _: desk.bench.truth(),
    ]
    threads = [threading.Thread(target=work, args=(a,)) for a in actions]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []


def test_what_it_cannot_be(make_description: Callable[..., Any]) -> None:
    """Unknown faults, instruments and ranges are named."""
    with pytest.raises(ValueError, match="unknown fault 'gremlin'"):
        SimulatedBench(make_description("gremlin"), VirtualClock())
    bench = SimulatedBench(make_description(), VirtualClock())
    with pytest.raises(KeyError, match="x5"):
        bench.turn_switch("x5")
    with pytest.raises(KeyError, match="nothing"):
        bench.terminal("nothing")
