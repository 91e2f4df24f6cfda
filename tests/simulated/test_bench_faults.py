"""Every fault, seen where a user sees it: in SCPI replies and registers."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, get_args

import pytest
from scipy.integrate import quad

from instruments.waveform_names import Waveform
from simulated import bench_faults
from simulated.bench_faults import CATALOGUE, Fault, FaultKind, parse_fault
from simulated.description import MeterDescription
from simulated.physics.transformer import core_for_rating
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench

MakeDesk = Callable[..., Any]
EVERY_RANGE = ("x1", "x4", "x20")
FULL = {"x1": 80.0, "x4": 20.0, "x20": 4.0}
FACTOR = {"x1": 1.0, "x4": 0.25, "x20": 0.05}


def ratio_error(desk: Any, range_name: str, current: float) -> float:
    """Ratio error of one point as the terminals show it."""
    return float(desk.multiplier(range_name, current) * FACTOR[range_name] - 1.0)


@pytest.mark.parametrize("seed", range(5))
def test_a_healthy_bench_is_well_inside_one_per_cent(make_desk: MakeDesk, seed: int) -> None:
    """From the smallest to the largest current of every range: |error| below 0.6 % and two display steps."""
    desk = make_desk(seed=seed)
    for name in EVERY_RANGE:
        for part in (0.01, 0.1, 0.5, 1.0):
            steps = 2 * 0.001 * FACTOR[name] / (part * FULL[name])
            assert abs(ratio_error(desk, name, part * FULL[name])) < 0.006 + steps
    assert desk.bench.truth().secondary_fuse_intact


@pytest.mark.parametrize(
    ("fault", "range_name", "multiplier"),
    [
        ("turn-missing", "x4", 3.0),
        ("turn-extra", "x4", 5.0),
        ("turn-missing:x20", "x20", 19.0),
        ("turn-extra:x20", "x20", 21.0),
        ("section-reversed", "x4", 2.0),
        ("both-windings-in-circuit", "x20", 24.0),
        ("switch-left-in-another-position", "x1", 20.0),
        ("switch-left-in-another-position:x4", "x20", 4.0),
        ("display-factor-forgotten", "x20", 1.0),
        ("display-factor-forgotten:x4", "x4", 1.0),
    ],
)
def test_wrong_multipliers(make_desk: MakeDesk, fault: str, range_name: str, multiplier: float) -> None:
    """Displayed amperes per ampere: the turns really in circuit, or a factor applied by the display itself."""
    assert make_desk(fault).multiplier(range_name, 1.0) == pytest.approx(multiplier, rel=0.006)


@pytest.mark.parametrize(
    ("fault", "unharmed"),
    [
        ("turn-missing", ("x1", "x20")),
        ("turn-extra:x20", ("x1", "x4")),
        ("section-reversed", ("x1", "x20")),
        ("both-windings-in-circuit", ("x1", "x4")),
        ("display-factor-forgotten", ("x1", "x4")),
    ],
)
def test_a_fault_stays_where_it_is(make_desk: MakeDesk, fault: str, unharmed: tuple[str, ...]) -> None:
    """The other ranges read as they should."""
    for name in unharmed:
        assert abs(ratio_error(make_desk(fault), name, 1.0)) < 0.006


def test_a_stuck_switch_claims_what_it_was_told(make_desk: MakeDesk) -> None:
    """The relay confirms x1 while twenty turns are in circuit."""
    desk = make_desk("switch-left-in-another-position")
    desk.select("x1")
    assert desk.relay.query("ROUT:CLOS? (@101)") == "1"
    assert desk.relay.query("ROUT:CLOS? (@103)") == "0"
    assert desk.bench.truth().switch_position == "x20"
    assert desk.bench.truth().turns["x1"] == 20


@pytest.mark.parametrize(
    ("fault", "supply"), [("module-supply-behind-sensor", 0.012), ("module-supply-behind-sensor:0.0017", 0.0017)]
)
def test_a_supply_tapped_behind_the_sensor(make_desk: MakeDesk, fault: str, supply: float) -> None:
    """A module that takes 1.7 mA from behind its own sensor adds a constant offset of that size
    (common practice, no published source): there with the load off, and the same at every current.
    """
    desk = make_desk(fault)
    desk.select("x20")
    assert desk.displayed() * FACTOR["x20"] == pytest.approx(supply, abs=2e-4)
    for current in (0.05, 0.5):
        desk.apply(current)
        extra = desk.displayed() * FACTOR["x20"] - desk.reading()
        assert extra == pytest.approx(supply, abs=2e-4 + 0.004 * current)


def test_a_supply_tapped_behind_the_sensor_is_the_same_on_every_range(make_desk: MakeDesk) -> None:
    """In primary amperes the offset does not depend on the turns, unlike the module's own offset."""
    desk = make_desk("module-supply-behind-sensor")
    for name in ("x4", "x20"):
        desk.select(name)
        assert desk.displayed() * FACTOR[name] == pytest.approx(0.012, abs=1e-3)


def test_without_it_the_display_is_at_zero(make_desk: MakeDesk) -> None:
    """A healthy meter shows zero with the load off on every range."""
    desk = make_desk()
    for name in EVERY_RANGE:
        desk.select(name)
        assert desk.displayed() == 0.0


def test_a_high_resistance_fuse(make_desk: MakeDesk) -> None:
    """It is burden: the error is larger everywhere, most at small current, on every range alike."""
    desk = make_desk("high-resistance-fuse")
    for name in EVERY_RANGE:
        low, high = (ratio_error(desk, name, part * FULL[name]) for part in (0.03, 0.5))
        assert -0.04 < low < -0.012
        assert low < high < -0.003


def test_a_saturating_core(make_desk: MakeDesk) -> None:
    """Healthy at a third of every range, several per cent low at its top."""
    desk = make_desk("saturating-core")
    for name in EVERY_RANGE:
        assert abs(ratio_error(desk, name, 0.33 * FULL[name])) < 0.006
        assert -0.08 < ratio_error(desk, name, FULL[name]) < -0.03


def test_a_closed_turn(make_desk: MakeDesk) -> None:
    """The loop's 73 ohm beside 0.3 mohm seen through 2500 turns: a current divider, at every current and range alike."""
    expected = 1 / (1 + 73 / (0.3e-3 * 2500**2)) - 1
    for name in EVERY_RANGE:
        for part in (0.1, 0.5, 1.0):
            assert ratio_error(make_desk("closed-turn"), name, part * FULL[name]) == pytest.approx(expected, abs=0.004)


def test_a_bent_gain(make_desk: MakeDesk) -> None:
    """4 % low at the top of every range, 1 % at a quarter, nothing at the bottom."""
    for name in EVERY_RANGE:
        for part in (0.02, 0.25, 1.0):
            steps = 0.001 * FACTOR[name] / (part * FULL[name])
            found = ratio_error(make_desk("bent-gain"), name, part * FULL[name])
            assert found == pytest.approx(-0.04 * part, abs=0.004 + steps)


def test_a_drifted_gain(make_desk: MakeDesk) -> None:
    """3 % high everywhere."""
    desk = make_desk("drifted-gain")
    for name in EVERY_RANGE:
        for part in (0.1, 1.0):
            assert ratio_error(desk, name, part * FULL[name]) == pytest.approx(0.03, abs=0.006)


def _beside_a_sound_one(make_desk: MakeDesk, fault: str, range_name: str, current: float) -> tuple[float, float]:
    """Current and power that a meter with `fault` shows over those of the same meter without, at power factor 1."""
    shown = []
    for faults in ((fault,), ()):
        desk = make_desk(*faults)
        desk.select(range_name)
        desk.apply(current)
        shown.append(desk.bench.shown())
    return shown[0].current / shown[1].current, shown[0].power / shown[1].power


def test_one_half_wave(make_desk: MakeDesk) -> None:
    """Of a sine one half-wave has sqrt(1/2) of the rms and half of the power (elementary)."""
    for name in EVERY_RANGE:
        current, power = _beside_a_sound_one(make_desk, "half-wave-lost", name, 0.5 * FULL[name])
        assert (current, power) == pytest.approx((0.7071, 0.5), abs=1e-3)


def test_a_capacitor_across_the_burden(make_desk: MakeDesk) -> None:
    """A current divider of R and 1 / jwC with wRC = 0.2: |1 / (1 + 0.2j)| of the current, and as its real part of the power."""
    for name in EVERY_RANGE:
        current, power = _beside_a_sound_one(make_desk, "burden-capacitance", name, 0.5 * FULL[name])
        assert (current, power) == pytest.approx((abs(1 / (1 + 0.2j)), (1 / (1 + 0.2j)).real), abs=1e-3)


def test_a_joint_open_by_a_third_of_a_millimetre(make_desk: MakeDesk) -> None:
    """Hardly anything is missing of the current, and three per cent of the power: the gap takes x, a quarter of a period behind, with
    x = |Z| g / (w mu0 N^2 A), and the secondary has 1 / |1 + jx| (equivalent circuit).
    """
    area = core_for_rating(0.032 * 73, 0.032, 2500, 50.0).area
    x = 73 * 0.3e-3 / (2 * math.pi * 50 * 4e-7 * math.pi * 2500**2 * area)
    for name in EVERY_RANGE:
        current, power = _beside_a_sound_one(make_desk, "core-gap", name, 0.5 * FULL[name])
        assert current == pytest.approx(1 / abs(1 + 1j * x), abs=2.5e-3)
        assert power / current == pytest.approx(math.cos(math.atan(x)), abs=2.5e-3)


def test_sixty_hertz_changes_next_to_nothing(make_desk: MakeDesk) -> None:
    """The magnetising current is five sixths of that at 50 Hz; the error was below 0.5 %, so less than 0.1 % is gained."""
    for name in EVERY_RANGE:
        current, _ = _beside_a_sound_one(make_desk, "frequency-other", name, 0.5 * FULL[name])
        assert 1.0 <= round(current, 3) < 1.001


@pytest.mark.parametrize(("fault", "reads"), [("reference-wrong", 0.97), ("reference-ratio", 0.8)])
def test_a_reference_that_is_wrong(make_desk: MakeDesk, fault: str, reads: float) -> None:
    """The meter is sound; the reference reads its part of what flows, on every scale."""
    for current in (0.05, 2.0, 40.0):
        found = []
        for faults in ((fault,), ()):
            desk = make_desk(*faults, reference_factor=20.0)
            desk.select("x1")
            desk.apply(current)
            found.append((desk.bench.measure("reference").current, desk.displayed()))
        assert found[0][0] / found[1][0] == pytest.approx(reads, abs=2e-3)
        assert found[0][1] == found[1][1]


def test_a_load_that_ignores_off(make_desk: MakeDesk) -> None:
    """It says so when asked, queues no error, and the current goes on flowing; before it was on it is off."""
    desk = make_desk("load-ignores-off")
    assert desk.source.query("OUTP?") == "0"
    desk.apply(2.0)
    desk.source.write("OUTPut OFF")
    desk.clock.sleep(1.0)
    assert desk.source.query("OUTP?") == "1"
    assert desk.source.query("SYST:ERR?").startswith("0,")
    assert desk.reading() == pytest.approx(2.0, rel=0.01)
    assert desk.bench.truth().load_on


@pytest.mark.parametrize("seed", range(6))
def test_a_late_reply_is_the_next_one_s_answer(make_desk: MakeDesk, seed: int) -> None:
    """Within the first ten readings one runs into the timeout, and its answer then answers the next query."""
    desk = make_desk("late-reply", seed=seed)
    desk.apply(1.0)
    for _ in range(10):
        try:
            desk.reading()
        except TimeoutError:
            break
    else:
        pytest.fail("no reply was late")
    assert float(desk.multimeter.query("*IDN?")) == pytest.approx(1.0, rel=0.01)
    assert desk.multimeter.read().startswith("Simulated,")


def test_late_replies_stay_the_exception(make_desk: MakeDesk) -> None:
    """Most replies are in time, and the delay is the bench's to choose."""
    desk = make_desk("late-reply", late_reply_delay=0.5)
    desk.apply(1.0)
    durations = []
    for _ in range(200):
        begin = desk.clock.now()
        desk.reading()
        durations.append(desk.clock.now() - begin)
    late = sum(d > 0.5 for d in durations)
    assert 2 <= late <= 30
    assert max(durations) < 0.7


@pytest.mark.parametrize("seed", range(6))
def test_a_garbled_reply_is_not_a_number(make_desk: MakeDesk, seed: int) -> None:
    """Within the first ten readings one cannot be read; the others are good."""
    desk = make_desk("garbled-reply", seed=seed)
    desk.apply(1.0)
    replies = [desk.multimeter.query("READ?") for _ in range(10)]
    unreadable = 0
    for reply in replies:
        try:
            assert float(reply) == pytest.approx(1.0, rel=0.01)
        except ValueError:
            unreadable += 1
    assert unreadable == 1


def test_a_wrong_serial(make_desk: MakeDesk) -> None:
    """The multimeter is another one; the rest of the bench is as described."""
    desk = make_desk("wrong-serial")
    assert desk.multimeter.query("*IDN?").split(",")[2] not in ("", "M-200")
    assert desk.source.query("*IDN?").split(",")[2] == "S-100"
    assert make_desk().multimeter.query("*IDN?") == "Simulated,SCPI multimeter AC current and voltage,M-200,1.0"


def _told(make_desk: MakeDesk, *faults: str) -> list[str]:
    """What the instruments of a bench tell: who they are, what the reference and the meter read on every range, whether the load is off."""
    desk = make_desk(*faults, reference_factor=20.0)
    told = [desk.multimeter.query("*IDN?")]
    for name in EVERY_RANGE:
        desk.source.write("OUTP OFF")
        desk.select(name)
        for part in (0.0005, 0.02, 0.5, 1.0):
            desk.apply(part * FULL[name])
            shown = desk.bench.shown()
            try:
                told.append(f"{desk.multimeter.query('READ?')} {desk.displayed()} {shown.current} {shown.power}")
            except TimeoutError:
                told.append("no reply")
    # A dimmed load: some faults show with no sine.
    desk.bench.change_load(lambda load, now: load.set_waveform(Waveform("phase_cut", 120.0), now))
    desk.clock.sleep(3.0)
    told.append(f"{desk.bench.shown().current} {desk.bench.measure('reference').current}")
    desk.source.write("OUTP OFF")
    return [*told, desk.source.query("OUTP?")]


@pytest.mark.parametrize("fault", ["average-responding", "narrow-bandwidth", "average-responding-reference"])
def test_what_shows_with_no_sine_leaves_a_sine_as_it_is(make_desk: MakeDesk, fault: str) -> None:
    assert make_desk(fault).multiplier("x1", 30.0) == make_desk().multiplier("x1", 30.0)


def _cut_sine_behind_a_low_pass() -> float:
    """Relative change of the effective value of a sine cut at 90 degrees behind 1 / sqrt(1 + (k / 3)^2), adjusted with a sine.

    Fourier coefficients of sin(x) from pi/2 to pi in each half-period by numerical integration; Parseval's theorem.
    """
    passed = 0.0
    for k in range(1, 200, 2):
        a, b = (
            2 / math.pi * quad(lambda x, f=f, k=k: math.sin(x) * f(k * x), math.pi / 2, math.pi, limit=500)[0]
            for f in (math.cos, math.sin)
        )
        passed += (a * a + b * b) / 2 / (1 + (k / 3) ** 2) * (1 + 1 / 9)
    return math.sqrt(passed / 0.25) - 1


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        # A sine cut at 90 degrees: pi / (2 sqrt 2) times its rectified mean over its effective value is 1 / sqrt 2.
        ("average-responding", 1 / math.sqrt(2) - 1),
        ("narrow-bandwidth", _cut_sine_behind_a_low_pass()),
    ],
)
def test_what_shows_with_a_dimmed_load(make_desk: MakeDesk, fault: str, error: float) -> None:
    def reads(*faults: str) -> float:
        desk = make_desk(*faults)
        desk.bench.change_load(lambda load, now: load.set_waveform(Waveform("phase_cut", 90.0), now))
        desk.select("x1")
        desk.apply(20.0)
        return float(desk.displayed())

    assert reads(fault) / reads() - 1 == pytest.approx(error, abs=3e-3)


def test_a_reference_that_responds_to_the_mean_reads_a_dimmed_load_low(make_desk: MakeDesk) -> None:
    """A sine cut at 90 degrees: pi / (2 sqrt 2) times its rectified mean over its effective value is 1 / sqrt 2."""

    def reads(*faults: str) -> float:
        desk = make_desk(*faults)
        desk.bench.change_load(lambda load, now: load.set_waveform(Waveform("phase_cut", 90.0), now))
        desk.select("x1")
        desk.apply(20.0)
        return float(desk.multimeter.query("READ?"))

    assert reads("average-responding-reference") / reads() == pytest.approx(1 / math.sqrt(2), rel=2e-3)


def test_a_core_that_a_direct_part_saturates_withstands_a_sine(make_desk: MakeDesk) -> None:
    """A transformer passes sqrt(1 - 4 / pi^2) of a half wave; this one far less at the top, and a sine there within 0.2 %."""

    def reads(waveform: str, *faults: str) -> float:
        desk = make_desk(*faults)
        desk.bench.change_load(lambda load, now: load.set_waveform(Waveform(waveform), now))
        desk.select("x1")
        desk.apply(70.0)
        return float(desk.displayed())

    assert reads("half_wave") / reads("sine") == pytest.approx(math.sqrt(1 - 4 / math.pi**2), rel=0.02)
    assert reads("sine", "half-wave-saturation") / reads("sine") == pytest.approx(1.0, abs=2e-3)
    assert reads("half_wave", "half-wave-saturation") / reads("half_wave") < 0.75


def test_an_input_that_clips_reads_the_top_of_a_range_low(make_desk: MakeDesk) -> None:
    """At twice the current at which it begins to clip, a sine is clipped at sin(30 deg) of its peak; effective value as in the test of the input."""
    angle = math.radians(30.0)
    square = (2 * angle - math.sin(2 * angle)) / (2 * math.pi) + math.sin(angle) ** 2 * (math.pi - 2 * angle) / math.pi
    desk, sound = make_desk("clipping"), make_desk()
    assert desk.multiplier("x1", 39.0) == sound.multiplier("x1", 39.0)
    assert desk.multiplier("x1", 80.0) / sound.multiplier("x1", 80.0) == pytest.approx(math.sqrt(2 * square), rel=5e-3)


@pytest.mark.parametrize("name", [fault.name for fault in CATALOGUE])
def test_every_fault_listed_changes_what_the_bench_tells(make_desk: MakeDesk, name: str) -> None:
    """With the same seed: a name in the catalogue without physics behind it would leave all as it is."""
    assert _told(make_desk, name) != _told(make_desk)


def test_the_catalogue_knows_no_other_kinds() -> None:
    assert {fault.kind for fault in CATALOGUE} <= set(get_args(FaultKind))
    assert {fault.takes for fault in CATALOGUE} == {"range", "current", "nothing"}
    assert len({fault.name for fault in CATALOGUE}) == len(CATALOGUE)


def test_a_fault_without_physics_changes_nothing(make_desk: MakeDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    """So the test above finds it."""
    invented = Fault(name="magnet-nearby", kind="secondary", summary="a magnet lies on the core")
    monkeypatch.setattr(bench_faults, "CATALOGUE", (*CATALOGUE, invented))
    assert _told(make_desk, "magnet-nearby") == _told(make_desk)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("turn-mising", "unknown fault 'turn-mising', expected one of turn-missing, turn-extra"),
        ("turn-missing:x5", "found range 'x5', expected one of x1, x4, x20"),
        ("section-reversed:x20", "expected one of x4"),
        ("drifted-gain:x1", "expected nothing after the name"),
        ("module-supply-behind-sensor:x1", "expected a positive current in amperes"),
        ("module-supply-behind-sensor:nan", "expected a positive current in amperes"),
        ("", "unknown fault ''"),
    ],
)
def test_what_is_no_fault(meter: MeterDescription, text: str, message: str) -> None:
    """One line saying what was found and what is expected."""
    with pytest.raises(ValueError, match=message):
        parse_fault(text, meter)


def test_faults_a_meter_cannot_have(meter: MeterDescription) -> None:
    """No fuse, no series section, no second winding: no such fault."""
    plain = replace(meter, secondary_fuse=None, ranges=meter.ranges[:1])
    for name in ("high-resistance-fuse", "section-reversed", "both-windings-in-circuit"):
        with pytest.raises(ValueError, match=name):
            parse_fault(name, plain)
    assert parse_fault("turn-missing", plain).range == "x1"


def test_a_ratio_is_typed_wrong_only_where_there_is_one(make_description: Callable[..., Any]) -> None:
    with pytest.raises(ValueError, match="reference-ratio: the reference of this bench has no ratio"):
        SimulatedBench(replace(make_description("reference-ratio"), reference_factor=1.0), VirtualClock())


def test_link_faults_need_a_link(make_description: Callable[..., Any]) -> None:
    """A reference that a person reads cannot answer late."""
    described = make_description("late-reply")
    by_person = tuple(replace(i, profile=None) if i.role == "reference" else i for i in described.instruments)
    with pytest.raises(ValueError, match="late-reply"):
        SimulatedBench(replace(described, instruments=by_person), VirtualClock())
