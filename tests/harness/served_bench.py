"""The template's bench served on free ports, and the bench file that leads there."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from harness.clock import RealClock
from harness.commands.new import template
from harness.commands.twin import describe
from harness.files import parse_bench, parse_device
from simulated.bench import SimulatedBench
from simulated.serve import serve


@contextlib.contextmanager
def served_bench(folder: Path) -> Iterator[tuple[Path, SimulatedBench]]:
    """Serve the template's bench and write a bench file with the addresses it got into `folder`."""
    text = template("bench.toml")
    file = folder / "bench.toml"
    described = describe(
        parse_device(template("device.toml"), "device"), parse_bench(text, "bench"), file, (folder,), ()
    )
    anywhere = tuple(
        replace(i, address="TCPIP::127.0.0.1::0::SOCKET") if i.address.endswith("SOCKET") else i
        for i in described.instruments
    )
    simulated = SimulatedBench(replace(described, instruments=anywhere), RealClock())
    with serve(simulated) as addresses:
        for instrument in described.instruments:
            if instrument.address.endswith("SOCKET"):
                text = text.replace(instrument.address, addresses[instrument.name])
        file.write_text(text, encoding="utf-8")
        yield file, simulated
