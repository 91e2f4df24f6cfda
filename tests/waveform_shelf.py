"""The hand bench with loads of several waveforms on its shelf, and what its multimeter's manual says of them."""

from __future__ import annotations

import re
from pathlib import Path

from harness.commands.new import BENCH_BY_HAND, new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.steps import Options

HEATER = '{ name = "heater", current = "2 A", waveform = "sine" }'
DIMMED = '{ name = "dimmed heater", current = "2.05 A", waveform = "phase_cut 90 deg" }'
LAMPS = '{ name = "string of lamps", current = "1.95 A", waveform = "capacitor_dropper" }'
BRIDGE = '{ name = "bridge", current = "1.9 A", waveform = "rectifier 60 deg" }'
FOLLOWS = 'response = "true rms", bandwidth = "100 kHz", crest_factor = 3'


def waveform_bench(
    folder: Path, *shelf: str, reference: str = FOLLOWS, claim: str = 'waveform_influence = "0.8 %"', readings: int = 4
) -> RunInputs:
    """The procedure with this `shelf`, `reference` keys in each of the multimeter's ranges, and a further line of the claim."""
    device, bench = new(folder, BENCH_BY_HAND)
    text = bench.read_text(encoding="utf-8")
    text = re.sub(r"shelf = \[.*?\n\]", lambda _: f"shelf = [\n  {', '.join(shelf)}\n]", text, flags=re.DOTALL)
    text = text.replace(', longest_on = "2 min" }', " }").replace("{ full_scale", f"{{ {reference}, full_scale")
    bench.write_text(text.replace("{ ,", "{"), encoding="utf-8")
    told = device.read_text(encoding="utf-8").replace('of_reading = "1 %"', f'of_reading = "1 %"\n{claim}')
    device.write_text(told, encoding="utf-8")
    return load_inputs(device, bench, "waveform_influence", Options(readings=readings))
