"""The power bench of the templates: described as its files say, and served at its own addresses."""

from __future__ import annotations

import io
import math
import re
import sys
from pathlib import Path

import pytest
from rich.console import Console

from harness.commands.new import template
from harness.commands.try_one import TryOptions, try_one
from harness.core.errors import UserError
from harness.files.loading import parse_bench, parse_device
from harness.preparation.twin import describe
from simulated.description import BenchDescription
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from tests.characteristic import characteristic
from tests.harness.commands.served_bench import served_bench


def described(bench: str = "bench_power.toml", change: tuple[str, str] = ("", "")) -> BenchDescription:
    """What the twin is told of the templates."""
    text = template(bench).replace(*change)
    return describe(parse_device(template("device.toml"), "device"), parse_bench(text, "bench"), Path(bench), (), ())


def test_what_the_files_say_arrives() -> None:
    """Every instrument once, by what it does first, with what its entry claims; the reference reads the voltage itself."""
    bench = described()
    parts = {i.name: i.role for i in bench.instruments}
    assert parts == {
        "source": "load",
        "analyser": "reference",
        "monitor": "meter",
        "relay": "switch",
        "loop": "secondary",
        "standard": "check_standard",
    }
    by_name = {i.name: i for i in bench.instruments}
    assert by_name["source"].power_factor_uncertainty == 0.002
    assert by_name["loop"].burden == 2.0
    power, voltage = by_name["analyser"].power, by_name["analyser"].voltage
    assert power is not None
    assert voltage is not None
    assert (power.of_reading, power.resolution) == pytest.approx((0.0015, 1e-4))
    assert math.degrees(power.phase) == pytest.approx(0.02)
    assert voltage.of_reading == pytest.approx(0.001)
    at_two_amperes = bench.reference_path.phase_displacements[4]
    assert math.degrees(at_two_amperes.value) * 60 == pytest.approx(2)
    assert bench.reference_path.ratio_errors[4].uncertainty == pytest.approx(2e-4)
    assert bench.check_standard is not None
    assert bench.check_standard.uncertainty == pytest.approx(0.002)
    # 0.1 Wh is 360 J.
    assert (bench.meter.power_resolution, bench.meter.energy_resolution) == pytest.approx((0.1, 360.0))


def test_a_load_on_the_shelf_may_lead() -> None:
    """The small lamp of the bench by hand; a power factor near zero is nothing a load is said to have."""
    lamp = next(i for i in described("bench_by_hand.toml").instruments if i.role == "load").shelf[0]
    assert (lamp.current, lamp.power_factor) == pytest.approx((0.012, -0.4))
    with pytest.raises(UserError, match=r"power_factor 0\.05, expected 0\.1 to 1"):
        described("bench_by_hand.toml", ("power_factor = -0.4", "power_factor = 0.05"))


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_healthy_device_is_within_its_claim(seed: int) -> None:
    """Ratio error within 1 % everywhere, also at the bottom, where a display step is not counted here."""
    bench = SimulatedBench(described(change=("seed = 7", f"seed = {seed}")), VirtualClock())
    for rng in bench.description.meter.ranges:
        for current in (rng.minimum_current, rng.maximum_current):
            assert abs(characteristic(bench).ratio_error(rng.name, current)) < 0.01


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")
def test_every_instrument_goes_through_its_profile(tmp_path: Path) -> None:
    """On sockets and a pseudo-terminal: `try` finds nothing wrong with any of them."""
    told = io.StringIO()
    with served_bench(tmp_path, "bench_power.toml") as (file, bench):
        for name in [i.name for i in bench.description.instruments]:
            assert try_one(TryOptions(name, file), Console(file=told, width=100)) == 0, told.getvalue()
    # The meter has counted nothing yet; IEC 60038: 230 V.
    assert "ok     0 J\n" in told.getvalue()
    volts = [float(v) for v in re.findall(r"ok     (\S+) V\n", told.getvalue())]
    assert [v for v in volts if v > 1.0] == pytest.approx([230.0] * 2, rel=0.005)
