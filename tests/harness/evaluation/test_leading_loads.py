"""A sound meter and a shelf of loads whose current leads on some and lags on others: nothing is wrong, whatever the sign."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.commands.new import BENCH_BY_HAND, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options
from tests.on_twin import TwinRun

LOADS = {
    "12 mA": -0.4,
    "44 mA": -0.3,
    "0.18 A": 0.6,
    "0.36 A": -0.4,
    "0.85 A": 1.0,
    "1.7 A": -0.35,
    "3.3 A": 0.5,
    "6.5 A": -0.4,
    "8.7 A": -0.35,
}
"""Power factors, negative where the current leads."""


def _inputs(folder: Path, seed: int, waveform: str) -> RunInputs:
    device, bench = new(folder, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    before, _, rest = text.partition("shelf = [\n")
    loads = "".join(
        f'  {{ name = "load {n}", current = "{c}", power_factor = {p}{waveform} }},\n'
        for n, (c, p) in enumerate(LOADS.items())
    )
    text = f"{before}shelf = [\n{loads}{rest[rest.index(']') :]}"
    shows = 'voltage = { of_reading = "0.1 %", resolution = "0.1 V" }\npower = { of_reading = "0.1 %", resolution = "10 mW" }'
    text = text.replace('serial = "M-0871"', f'serial = "M-0871"\n{shows}').replace("seed = 7", f"seed = {seed}")
    bench.write_text(text, encoding="utf-8")
    return load_inputs(device, bench, "power_and_phase", Options(readings=2))


@pytest.mark.parametrize("waveform", ["", ", sinusoidal = true"])
def test_a_sound_meter_is_not_accused(tmp_path: Path, waveform: str) -> None:
    """These seeds were accused when every load off the shelf was taken to lag."""
    for seed in (6, 7, 13, 14):
        twin = TwinRun(_inputs(tmp_path / str(seed), seed, waveform))
        twin.run()
        first = twin.results().diagnosis[0]
        assert first.label == "none", f"seed {seed}: {first.label}, {first.probability}"
