"""`ratioproof demo`: the whole job on a simulated bench over loopback transports."""

from __future__ import annotations

import contextlib
import datetime as dt
import random
import re
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from harness.commands.certify import conclude, summary_lines, tell
from harness.commands.new import BENCH, BENCH_POWER, DEVICE, device_template, template
from harness.commands.session import Attendance, run_anew
from harness.core.clock import RealClock
from harness.core.errors import UserError
from harness.core.progress import RehearsalProgress, TerminalProgress
from harness.core.quantities import format_quantity
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearse
from harness.preparation.run_files import Inputs, load_inputs
from harness.preparation.twin import describe
from harness.results import accepted
from harness.steps import Options
from instruments.operator.person import ScriptedPerson
from simulated.bench import SimulatedBench
from simulated.bench_faults import CATALOGUE
from simulated.serve import SimulationError, serve

ON_PLAIN_BENCH = ("current_ratio", "turns_check")
"""Procedures that need no more than load, reference, meter and switch; the others are shown on a bench with power."""

PORT = re.compile(r"(?<=:)150\d\d\b")
"""A port in an address of the files that `new` writes."""

UNUSED_BY_CLIENTS = range(20_000, 32_000)
"""Linux gives clients the ports from 32768 on (ip_local_port_range), Windows and macOS those from 49152 on (RFC 6335)."""

if TYPE_CHECKING:
    from rich.console import Console


def demo(
    faults: Sequence[str],
    out: Path | None,
    procedure: str,
    console: Console,
    transcript: Path | None = None,
    hold: float = Options.hold,
    trials: int = 0,
    causes: Path | None = None,
) -> int:
    """Run `procedure` on a fresh simulated bench with `faults`; 0 when the verdict is pass or conditional pass, 1 otherwise."""
    folder = out if out is not None else Path(f"ratioproof-demo-{dt.datetime.now():%Y%m%d-%H%M%S}")
    unknown = [f for f in faults if f.partition(":")[0] not in {known.name for known in CATALOGUE}]
    if unknown:
        raise UserError([f"--fault {f}: unknown (ratioproof demo --list-faults lists them)" for f in unknown])
    inputs = _prepare(folder, faults, procedure, Options(hold=hold), causes)
    simulated = SimulatedBench(
        describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, faults), RealClock()
    )
    stop = StopSignal()
    with stop.listening(), RehearsalProgress(console) as shown:
        rehearsal = rehearse(inputs, stop, shown)
    ranges = ", ".join(f"{r.name} to {format_quantity(r.maximum_current, 'A')}" for r in inputs.device.ranges)
    console.print(
        f"{inputs.device.identity.maker} {inputs.device.identity.type}, ranges {ranges}; simulated bench on loopback transports",
        highlight=False,
        soft_wrap=True,
    )
    console.print(
        f"rehearsed: {len(rehearsal.durations)} points in about {rehearsal.durations[-1]:.0f} s",
        highlight=False,
        soft_wrap=True,
    )
    try:
        with serve(simulated), stop.listening(), TerminalProgress(console, list(rehearsal.durations)) as progress:
            attendance = Attendance(
                "nobody (demo)",
                (),
                ScriptedPerson(displays={"meter": simulated.displayed}, default="go on"),
                progress,
                stop,
                transcript=transcript,
            )
            run_anew(inputs, attendance, folder)
    except SimulationError as failure:
        # Another program was quicker to take a port that was free.
        raise UserError(f"{failure} (try again)") from failure
    results = conclude(folder / "record.jsonl", folder, trials=trials, procedure=inputs.procedure)
    truth = simulated.truth()
    fuse = "intact" if truth.secondary_fuse_intact else "MELTED"
    input_state = "OVERDRIVEN" if truth.input_overdriven else "never overdriven"
    console.print(
        f"the simulated bench's own truth: secondary fuse {fuse}, input {input_state}, largest secondary current "
        f"{format_quantity(truth.peak_secondary_current, 'A')} of {format_quantity(inputs.device.transformer.maximum_secondary_current, 'A')}",
        highlight=False,
        soft_wrap=True,
    )
    tell(console, summary_lines(results, folder))
    return 0 if accepted(results.verdict) else 1


def _prepare(folder: Path, faults: Sequence[str], procedure: str, options: Options, causes: Path | None) -> Inputs:
    """The demo's own pair of files in `folder`, on ports that are free now."""
    if (folder / "record.jsonl").exists():
        raise UserError(
            f"{folder / 'record.jsonl'}: exists already; a record is never overwritten (choose another --out)"
        )
    kind = BENCH if procedure in ON_PLAIN_BENCH or procedure.endswith(".py") else BENCH_POWER
    bench_text = template(kind)
    fixed_ports = list(dict.fromkeys(PORT.findall(bench_text)))
    free = dict(zip(fixed_ports, free_ports(len(fixed_ports)), strict=True))
    bench_text = PORT.sub(lambda found: str(free[found[0]]), bench_text)
    listed = ", ".join(f'"{f}"' for f in faults)
    bench_text = bench_text.replace("faults = []", f"faults = [{listed}]")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / DEVICE).write_text(device_template(kind), encoding="utf-8", newline="\n")
        (folder / BENCH).write_text(bench_text, encoding="utf-8", newline="\n")
    except OSError as failure:
        raise UserError(f"{folder}: {failure.strerror}") from None
    return load_inputs(folder / DEVICE, folder / BENCH, procedure, options, causes)


def free_ports(count: int) -> list[int]:
    """Ports of this machine nobody listens on, and none that a system gives a client, which may have one a moment later.

    Raises UserError when there are none.
    """
    found: list[int] = []
    for port in random.SystemRandom().sample(UNUSED_BY_CLIENTS, 500):
        with contextlib.suppress(OSError), socket.create_server(("127.0.0.1", port)):
            found.append(port)
        if len(found) == count:
            return found
    raise UserError("no free ports on 127.0.0.1, where the simulated bench is served")
