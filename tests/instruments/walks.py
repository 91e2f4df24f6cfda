"""One walk through each shipped driver, and how its transcript is made again on the simulated bench.

    .venv/bin/python -m tests.instruments.walks

A profile that says something else than before needs its transcript made anew.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from harness.commands.new import new
from harness.preparation.run_files import RunInputs, load_inputs
from harness.preparation.twin import TwinLinks, describe
from harness.replay.link_transcripts import TranscribedLinks
from harness.station.station import Station, assemble
from harness.station.wires import LinkSource
from harness.steps import Options
from instruments.drivers.roles import Load, Meter, Reference, Switch
from instruments.operator.person import ScriptedPerson
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench

TRANSCRIPTS = Path(__file__).parent / "transcripts"
NAMES = {"load": "source", "reference": "multimeter", "meter": "monitor", "switch": "relay"}


def walk_load(load: Load) -> Iterator[Any]:
    """Safe, protected at 5 A, driven to 4 A, and (after the others have looked) safe again."""
    load.open()
    yield load.identify()
    load.start()
    load.make_safe()
    yield load.confirm_safe()
    load.protect(5.0)
    load.drive(4.0)
    yield load.confirm_safe()
    load.make_safe()
    yield load.confirm_safe()
    load.close()


def walk_reference(reference: Reference) -> Iterator[Any]:
    """One reading on the 1 A range."""
    reference.open()
    yield reference.identify()
    reference.start()
    reference.configure(1.0)
    yield reference.read()
    reference.check()
    reference.close()


def walk_meter(meter: Meter) -> Iterator[Any]:
    """One reading."""
    meter.open()
    yield meter.identify()
    meter.start()
    yield meter.read(None)
    meter.close()


def walk_switch(switch: Switch) -> Iterator[Any]:
    """To x4 and back to x1."""
    switch.open()
    yield switch.identify()
    switch.start()
    yield switch.select("x4")
    yield switch.select("x1")
    switch.close()


WALKS: dict[str, Callable[[Any], Iterator[Any]]] = {
    "load": walk_load,
    "reference": walk_reference,
    "meter": walk_meter,
    "switch": walk_switch,
}


def inputs_in(folder: Path) -> RunInputs:
    """The files that `new` writes."""
    device, bench = new(folder)
    return load_inputs(device, bench, "turns_check", Options())


def station_of(inputs: RunInputs, links: LinkSource, clock: VirtualClock) -> Station:
    """Its drivers, on `links`."""
    person = ScriptedPerson()
    return assemble(inputs.device, inputs.bench, person=person, clock=clock, links=links, folders=inputs.folders)


def _make(folder: Path) -> None:
    inputs, clock = inputs_in(folder), VirtualClock()
    bench = SimulatedBench(describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, ()), clock)
    links = TranscribedLinks(TwinLinks(bench), TRANSCRIPTS, clock.now, inputs.folders)
    station = station_of(inputs, links, clock)
    list(walk_switch(station.switch))
    energised = walk_load(station.load)
    # Three yields in, the load drives: then the reference and the meter read it.
    for _ in range(3):
        next(energised)
    clock.sleep(5.0)
    list(walk_reference(station.reference))
    list(walk_meter(station.meter))
    list(energised)
    links.close()


if __name__ == "__main__":
    for file in TRANSCRIPTS.glob("*.jsonl"):
        file.unlink()
    with tempfile.TemporaryDirectory() as temporary:
        _make(Path(temporary) / "pair")
