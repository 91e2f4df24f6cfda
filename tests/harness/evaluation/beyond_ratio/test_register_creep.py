"""Creep: what the energy register counts with no current, as a power, and how long it has to be watched."""

import math

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.evaluation.beyond_ratio.no_load_results import creep
from harness.evaluation.range_evaluation import evaluate_ranges
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Device
from harness.files.loading import parse_bench, parse_device
from harness.record.observations import ObservedPoint, ReadingPair
from harness.results import RangeResult
from tests.harness.evaluation.conftest import BENCH, DEVICE, RUN_DATE
from tests.in_words import in_words

WATT_HOUR = 3600.0
BENCH_FILE = parse_bench(BENCH, "bench.toml")


def _device(energy: str = 'energy_resolution = "1 Wh"', claim: str = "") -> Device:
    text = DEVICE.replace('resolution = "1 mA"\n', f'resolution = "1 mA"\nrefresh_interval = "1 s"\n{energy}\n')
    return parse_device(text.replace("counts = 2\n", f"counts = 2\n{claim}\n"), "device.toml")


COUNTS_ENERGY = _device()


def _pair(when: float, joules: float, voltage: float = 230.0) -> ReadingPair:
    also = {"displayed_energy": joules, "reference_voltage": voltage}
    return ReadingPair(0.0, 0.0, (when, when), (when, when + 0.2), also)


def _waited(counted: float, seconds: float, device: Device = COUNTS_ENERGY, rng: str = "x1") -> RangeResult:
    points = [
        ObservedPoint(rng, f"zero at {when:g} s", "zero", 0.0, 10.0, (_pair(when, joules),))
        for when, joules in ((0.0, 7200.0), (seconds - 0.2, 7200.0 + counted))
    ]
    outcome = evaluate_ranges(device, BENCH_FILE, points, [], RUN_DATE)
    return next(r for r in outcome.ranges if r.name == rng)


@pytest.mark.parametrize(("steps", "verdict"), [(0, "pass"), (1, "pass"), (2, "fail")])
def test_one_step_is_not_yet_creep(steps: int, verdict: str) -> None:
    """IEC 62053-21:2003, 8.3.2 (value from memory): with voltage and no current at most one pulse may come."""
    result = _waited(steps * WATT_HOUR, 3600.0)
    assert result.verdict == verdict
    assert result.no_load is not None
    assert result.no_load.energy == pytest.approx(steps * WATT_HOUR)


def test_as_a_power_with_its_uncertainty() -> None:
    """GTC 1.5: 3 Wh in 600 s are 18 W; each end of the register is half a step about its middle, refreshed every second."""
    found = creep(
        COUNTS_ENERGY,
        InputQuantities(BENCH_FILE, RUN_DATE),
        COUNTS_ENERGY.ranges[0],
        _pair(0.0, 0.0),
        _pair(600.0, 3 * WATT_HOUR),
    )
    assert found is not None

    def bound(half_width: float) -> object:
        return GTC.ureal(0.0, GTC.tb.uniform(half_width))

    power = (3 * WATT_HOUR + bound(1800) + bound(1800)) / (600.0 + bound(0.6) + bound(0.6))
    assert found.power.value == pytest.approx(power.x, rel=1e-9)
    assert found.power.standard_uncertainty == pytest.approx(power.u, rel=1e-6)
    # Two equal rectangles are a triangle (JCGM 100:2008, 4.3.9): 95.45 % within sqrt(6) (1 - sqrt(1 - 0.9545)) of its u.
    assert found.power.coverage_factor == pytest.approx(math.sqrt(6) * (1 - math.sqrt(0.0455)), rel=2e-3)


def test_nothing_counted_is_still_a_bound() -> None:
    """Less than one step in the ten minutes: 1 Wh in 600 s is 6 W, on ten turns with a tenth of the scale 0.6 W."""
    for rng, watts in (("x1", 6.0), ("x10", 0.6)):
        rest = _waited(0.0, 600.0, rng=rng).no_load
        assert rest is not None
        assert rest.creep is not None
        assert rest.creep.value == 0.0
        assert rest.creep_below == pytest.approx(watts, rel=0.01)
        assert rest.creep.expanded_uncertainty < watts


@given(
    power=st.floats(0.0, 200.0),
    before=st.floats(0.0, WATT_HOUR),
    seconds=st.floats(60.0, 5000.0),
    late=st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)),
)
def test_no_creep_reaches_the_bound(power: float, before: float, seconds: float, late: tuple[float, float]) -> None:
    """A register as it is: filled at `power`, showing whole steps only, and only what it was at its last refresh."""

    def shown(when: float, behind: float) -> ReadingPair:
        energy = before + 1000.0 + power * (when - behind)
        return _pair(when, math.floor(energy / WATT_HOUR) * WATT_HOUR)

    rng = COUNTS_ENERGY.ranges[0]
    found = creep(
        COUNTS_ENERGY, InputQuantities(BENCH_FILE, RUN_DATE), rng, shown(1.0, late[0]), shown(1.0 + seconds, late[1])
    )
    assert found is not None
    assert power < found.below


@pytest.mark.parametrize(
    ("claim", "seconds", "asked"),
    [
        ('power_class = "IEC 62053-21 1"', 1565.0, 1566),
        ('power_class = "IEC 62053-21 1"', 1570.0, None),
        # 480e6 / (1000 x 230 x 100) = 20.87 min; nothing is asked of a device without a class, which is measured by this one.
        ("", 1252.0, 1253),
        ("", 1260.0, None),
    ],
)
def test_a_wait_too_short_is_told_and_fails_nothing(claim: str, seconds: float, asked: int | None) -> None:
    """IEC 62053-21:2003, 8.3.2 (value from memory): 600e6 / (1000/kWh x 230 V x 100 A) = 26.09 min in class 1."""
    result = _waited(0.0, seconds, _device(claim=claim))
    told = [r for r in in_words(result.remarks) if "creep watched for" in r]
    assert result.verdict == "pass"
    assert [f"asks for {asked} s at 115 %" in r for r in told] == ([] if asked is None else [True])
    assert all(("by class 2, the least demanding, since none is claimed" in r) == (not claim) for r in told)


def test_a_device_that_counts_nothing_is_told_nothing_of_creep() -> None:
    result = _waited(0.0, 60.0, _device(energy=""))
    assert result.no_load is not None
    assert (result.no_load.creep, result.no_load.creep_below, result.no_load.creep_period) == (None, None, None)
    assert not any("creep" in r for r in in_words(result.remarks))
