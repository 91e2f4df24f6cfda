"""How often what is stated of a measured load holds what it drew. `python tests/benchmarks/loads.py [VERIFICATIONS [LOADS]]`.

Every verification is a whole run of `power_and_phase` on a simulated bench of its own, whose reference path uses the whole of its claim. Then loads of
random current are measured with the same meter by the dialogue of `ratioproof measure`: half of them sinusoidal, lagging and leading, the others dimmed,
lamps behind a capacitor, and rectifiers. What the same display shows of each, power and power factor too, is stated as `ratioproof reading` does.
The truth is the circuit's own: the current that flowed, that times the voltage, and the power.
"""

from __future__ import annotations

import math
import random
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from functools import cache, partial
from pathlib import Path

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path[0] = str(ROOT)

from harness.commands.new import BENCH_POWER, new  # noqa: E402
from harness.core.errors import UserError  # noqa: E402
from harness.preparation.run_files import RunInputs, load_inputs  # noqa: E402
from harness.results import Results, Stated  # noqa: E402
from harness.steps import Options  # noqa: E402
from harness.verified_meter.corrected_readings import (  # noqa: E402
    CURRENT,
    FACTOR,
    POWER,
    ShownTogether,
    corrected_readings,
)
from harness.verified_meter.load_dialogue import Asked, make_safe, read_load  # noqa: E402
from harness.verified_meter.load_display import TypedDisplay  # noqa: E402
from harness.verified_meter.measured_load import MeasuredAs, measured_load  # noqa: E402
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredReading  # noqa: E402
from instruments.waveform_names import SINE, SINE_CREST_FACTOR, Waveform  # noqa: E402
from instruments.waveforms import crest_factor_of, fundamental_part, unit_samples  # noqa: E402
from simulated.physics.module import Shown  # noqa: E402
from tests.benchmarks.coverage_power import ran  # noqa: E402
from tests.measuring import Measurer  # noqa: E402

READINGS = 5
VOLTAGE_ERROR = 1.0
QUANTITIES = ("current", "power", "apparent_power", "power_factor")


@cache
def _files() -> RunInputs:
    return load_inputs(*new(Path(tempfile.mkdtemp()), BENCH_POWER), "power_and_phase", Options())


def _drawn(draw: random.Random) -> tuple[str, Waveform, float]:
    """A kind of load, its waveform and its power factor."""
    kind = draw.choice(("sine", "sine", "sine", "dimmer", "dropper", "rectifier"))
    if kind == "sine":
        return kind, SINE, draw.choice((1.0, 0.95, 0.6, 0.4, -0.4, -0.6, -0.9))
    if kind == "dimmer":
        cut = draw.uniform(30.0, 130.0)
        at = math.radians(cut)
        # A resistance behind it: power factor is effective current over that of the whole sine (elementary).
        return kind, Waveform("phase_cut", cut), math.sqrt(1 - at / math.pi + math.sin(2 * at) / (2 * math.pi))
    if kind == "dropper":
        return kind, Waveform("capacitor_dropper"), -draw.uniform(0.2, 0.5)
    waveform = Waveform("rectifier", draw.uniform(40.0, 100.0))
    return kind, waveform, fundamental_part(waveform) * draw.uniform(0.95, 1.0)


def held(seed: int, loads: int) -> list[tuple[str, dict[str, bool]]]:
    """For each load measured with the meter of `seed` its kind, and which of its values held what was true."""
    return list(_held(seed, loads))


def _held(seed: int, loads: int) -> Iterator[tuple[str, dict[str, bool]]]:
    run = ran(_files(), seed)
    bench, clock, results, draw = run.bench, run.clock, run.results(), random.Random(seed)
    for _ in range(loads):
        kind, waveform, power_factor = _drawn(draw)
        # Its peak no higher than that of a sine of 65 A.
        most = 65 * SINE_CREST_FACTOR / crest_factor_of(unit_samples(waveform))
        current = 0.045 * (most / 0.045) ** draw.random()
        flowed: list[tuple[float, float, float, Shown]] = []

        def noted(text: str, right: str, flowed: list[tuple[float, float, float, Shown]] = flowed) -> None:
            if ", reading" in text:
                now = clock.now()
                circuit = bench._circuit
                flowed.append((circuit.flowing(now), circuit.mains.voltage_at(now), circuit.power(now), bench.shown()))

        person = Measurer(bench, current, power_factor, noted, waveform)
        display = TypedDisplay(results.device, person, "load")
        readings = read_load(Asked(results, person, "load", display, True), READINGS, clock.now)
        current, voltage, power = (sum(one[n] for one in flowed) / len(flowed) for n in range(3))
        read = voltage + draw.uniform(-0.5, 0.5) * VOLTAGE_ERROR
        about = MeasuredAs("load", "", "", "", "", (read, VOLTAGE_ERROR), 0.0)
        found = measured_load(results, readings, about, [])
        make_safe(person, "load")
        truth = (current, power, current * voltage, power / (current * voltage))
        stated = {name: value for name in QUANTITIES if isinstance(value := getattr(found, name), Stated)}
        for one in _read(results, readings.range.name, flowed[-1][3]):
            stated[f"reading: {one.quantity}"] = one.corrected
        truths = dict(zip(QUANTITIES, truth, strict=True))
        truths |= {"reading: current": flowed[-1][0], "reading: active power": flowed[-1][2]}
        truths["reading: power factor"] = truths["power_factor"]
        yield (
            kind,
            {name: abs(value.value - truths[name]) <= value.expanded_uncertainty for name, value in stated.items()},
        )


def _read(results: Results, range_name: str, shown: Shown) -> list[MeasuredReading]:
    """What is stated of one look at the display; without power where nothing is stated of it."""
    device = results.device
    values = {CURRENT: (DisplayedValue(shown.current, device.resolution),)}
    beside = {
        POWER: (DisplayedValue(abs(shown.power), device.power_resolution or 0.1),),
        FACTOR: (DisplayedValue(abs(shown.power_factor), 0.001),),
    }
    for shown_together in (ShownTogether(values | beside), ShownTogether(values)):
        with suppress(UserError):
            return corrected_readings(results, range_name, shown_together, 0.0)[0]
    return []


if __name__ == "__main__":
    verifications, loads = (int(text) for text in (*sys.argv[1:], *("40", "25")[len(sys.argv) - 1 :]))
    with ProcessPoolExecutor() as pool:
        outcomes = [one for found in pool.map(partial(held, loads=loads), range(1, verifications + 1)) for one in found]
    for kind in ("sine", "dimmer", "dropper", "rectifier"):
        of_kind = [found for name, found in outcomes if name == kind]
        for quantity in sorted({name for one in of_kind for name in one}):
            stated = [one[quantity] for one in of_kind if quantity in one]
            print(f"{kind}: {quantity}: {sum(stated) / len(stated):.1%} of {len(stated)} of {len(of_kind)} loads held")
