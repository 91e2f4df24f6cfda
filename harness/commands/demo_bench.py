"""The bench of a demo: its files, with addresses that nobody uses, its serving, and what it knows of itself."""

import contextlib
import random
import re
import socket
from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.commands.demo_loads import DemoLoad, with_influence, with_shelf
from harness.commands.new import BENCH, BENCH_POWER, device_template, template, written_pair
from harness.commands.recorded_run import refuse_to_overwrite
from harness.core.clock import RealClock
from harness.core.errors import UserError
from harness.core.quantities import format_quantity
from harness.files.instrument_entry import InstrumentEntry
from harness.preparation.rehearsal import Rehearsal
from harness.preparation.run_files import RunInputs
from harness.preparation.twin import describe
from harness.record.journal import RECORD
from harness.station.wires import LinkSource, PassedOn
from instruments.links.link import Link, RegisterLink
from instruments.profile import Profile
from simulated.bench_faults import CATALOGUE
from simulated.serve import SimulationError, serve
from simulated.simulated_bench import SimulatedBench

ON_PLAIN_BENCH = ("current_ratio", "turns_check")
"""Procedures that need no more than load, reference, meter and switch; the others are shown on a bench with power."""

PORT = re.compile(r"(?<=:)150\d\d\b")
"""A port in an address of the files that `new` writes."""

UNUSED_BY_CLIENTS = range(20_000, 32_000)
"""Linux gives clients the ports from 32768 on (ip_local_port_range), Windows and macOS those from 49152 on (RFC 6335)."""


def write_files(folder: Path, faults: Sequence[str], procedure: str, load: DemoLoad | None = None) -> tuple[Path, Path]:
    """The demo's own pair of files in `folder`, on ports that are free now; `load` stands beside a sine on a shelf. Raises UserError."""
    unknown = [f for f in faults if f.partition(":")[0] not in {known.name for known in CATALOGUE}]
    if unknown:
        raise UserError([f"--fault {f}: unknown (ratioproof demo --list-faults lists them)" for f in unknown])
    refuse_to_overwrite(folder / RECORD, "choose another --out")
    kind = BENCH if load or procedure in ON_PLAIN_BENCH or procedure.endswith(".py") else BENCH_POWER
    device_text, bench_text = device_template(kind), template(kind)
    if load is not None:
        device_text, bench_text = with_influence(device_text), with_shelf(bench_text, load)
    fixed_ports = list(dict.fromkeys(PORT.findall(bench_text)))
    free = dict(zip(fixed_ports, free_ports(len(fixed_ports)), strict=True))
    bench_text = PORT.sub(lambda found: str(free[found[0]]), bench_text)
    listed = ", ".join(f'"{f}"' for f in faults)
    bench_text = bench_text.replace("faults = []", f"faults = [{listed}]")
    return written_pair(folder, device_text, bench_text)


def free_ports(count: int) -> list[int]:
    """Ports of this machine nobody listens on, and none that a system gives a client, which may have one a moment later. Raises UserError."""
    found: list[int] = []
    for port in random.SystemRandom().sample(UNUSED_BY_CLIENTS, 500):
        with contextlib.suppress(OSError), socket.create_server(("127.0.0.1", port)):
            found.append(port)
        if len(found) == count:
            return found
    raise UserError("no free ports on 127.0.0.1, where the simulated bench is served")


@contextlib.contextmanager
def served(inputs: RunInputs, faults: Sequence[str]) -> Iterator[SimulatedBench]:
    """The simulated bench at the addresses of its files. Raises UserError."""
    described = describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, faults)
    simulated = SimulatedBench(described, RealClock())
    try:
        with serve(simulated):
            yield simulated
    except SimulationError as failure:
        # Another program was quicker to take a port that was free.
        raise UserError(f"{failure} (try again)") from failure


def what_it_is(inputs: RunInputs, rehearsal: Rehearsal) -> list[str]:
    """The meter under test with its ranges, and what the run will take."""
    identity, shelf = inputs.device.identity, inputs.bench.entry("load").shelf
    loads = ", ".join(f"{load.name} ({format_quantity(load.current, 'A')}, {load.waveform})" for load in shelf)
    ranges = ", ".join(f"{r.name} to {format_quantity(r.maximum_current, 'A')}" for r in inputs.device.ranges)
    return [
        f"{identity.maker} {identity.type}, ranges {ranges}; simulated bench on loopback transports",
        *([f"on the shelf, and plugged in by the demo itself, faster than by a person: {loads}"] if loads else []),
        *([f"simulated faults: {', '.join(inputs.bench.simulation.faults) or 'none'}"] if loads else []),
        f"rehearsed: {len(rehearsal.durations)} points in about {rehearsal.durations[-1]:.0f} s",
    ]


def what_it_knows(inputs: RunInputs, simulated: SimulatedBench) -> str:
    """What no reading tells for certain: whether the run harmed anything."""
    truth, most = simulated.truth(), inputs.device.transformer.maximum_secondary_current
    fuse = "intact" if truth.secondary_fuse_intact else "MELTED"
    input_state = "OVERDRIVEN" if truth.input_overdriven else "never overdriven"
    return (
        f"the simulated bench's own truth: secondary fuse {fuse}, input {input_state}, largest secondary current "
        f"{format_quantity(truth.peak_secondary_current, 'A')} of {format_quantity(most, 'A')}"
    )


class Plugging(PassedOn):
    """Links to a simulated bench in this process, to which it is told what is plugged in."""

    def __init__(self, links: LinkSource, simulated: SimulatedBench) -> None:
        super().__init__(links)
        self._simulated = simulated

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        return self._links.text(name, entry, profile)

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        return self._links.registers(name, entry, drain)

    def plug(self, current: float) -> None:
        self._simulated.plug(current)
