"""The template's bench served on free ports, and the bench file that leads there."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from harness.commands.new import template
from harness.core.clock import RealClock
from harness.files.loading import parse_bench, parse_device
from harness.preparation.twin import describe
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench
from simulated.transports.link_faults import Schedule

FIXED_PORT = re.compile(r"(127\.0\.0\.1::?)\d+")


@contextlib.contextmanager
def served_bench(
    folder: Path,
    name: str = "bench.toml",
    schedules: Mapping[str, Schedule] | None = None,
    change: Callable[[str], str] = lambda text: text,
) -> Iterator[tuple[Path, SimulatedBench]]:
    """Serve the bench of the template `name`, as `change` leaves its text, and write a bench file with the addresses it got into `folder`."""
    text = change(template(name))
    file = folder / "bench.toml"
    described = describe(
        parse_device(template("device.toml"), "device"), parse_bench(text, "bench"), file, (folder,), ()
    )
    anywhere = tuple(replace(i, address=FIXED_PORT.sub(r"\g<1>0", i.address)) for i in described.instruments)
    simulated = SimulatedBench(replace(described, instruments=anywhere), RealClock(), schedules=schedules)
    with serve(simulated) as addresses:
        for instrument in described.instruments:
            if FIXED_PORT.search(instrument.address):
                text = text.replace(instrument.address, addresses[instrument.name])
        file.write_text(text, encoding="utf-8")
        yield file, simulated
