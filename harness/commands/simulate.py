"""`ratioproof simulate`: the simulated bench on its own, for another program to talk to."""

from __future__ import annotations

import select
import sys
from collections.abc import Sequence
from pathlib import Path

from harness.clock import RealClock
from harness.commands.inputs import load_inputs
from harness.commands.twin import describe
from harness.errors import UserError
from harness.quantities import format_quantity
from harness.steps import Options
from harness.stop import StopSignal
from simulated.bench import SimulatedBench
from simulated.serve import SimulationError, serve

WORDS = "turn RANGE turns the range switch, show prints display and truth, quit ends"


def simulate(device_file: Path, bench_file: Path, faults: Sequence[str]) -> int:
    """Serve the bench of `bench_file` at its own addresses until told to quit or stopped."""
    inputs = load_inputs(device_file, bench_file, "turns_check", Options())
    wanted = tuple(faults) or inputs.bench.simulation.faults
    simulated = SimulatedBench(describe(inputs.device, inputs.bench, bench_file, inputs.folders, wanted), RealClock())
    stop = StopSignal()
    try:
        with stop.listening(), serve(simulated) as addresses:
            for name, address in addresses.items():
                print(f"{name} at {address}")
            print(f"faults: {', '.join(wanted) or 'none'}; {WORDS}", flush=True)
            _attend(simulated, [r.name for r in inputs.device.ranges], stop)
    except SimulationError as failure:
        raise UserError(f"{bench_file}: {failure}") from failure
    return 0


def _attend(simulated: SimulatedBench, ranges: Sequence[str], stop: StopSignal) -> None:
    """Do what is typed; without a terminal just serve."""
    open_input = True
    while not stop.reason:
        if not open_input:
            select.select([], [], [], 0.2)
            continue
        ready, _, _ = select.select([sys.stdin], [], [], 0.2)
        if not ready:
            continue
        line = sys.stdin.readline()
        if not line:
            open_input = False
            continue
        match line.split():
            case ["turn", name] if name in ranges:
                simulated.turn_switch(name)
                print(f"switch at {name}", flush=True)
            case ["show"]:
                truth = simulated.truth()
                print(
                    f"display {simulated.displayed():g} A; switch at {truth.switch_position}; load {'on' if truth.load_on else 'off'}, "
                    f"{format_quantity(truth.primary_current, 'A')}; largest secondary current {format_quantity(truth.peak_secondary_current, 'A')}, "
                    f"fuse {'intact' if truth.secondary_fuse_intact else 'melted'}",
                    flush=True,
                )
            case ["quit"]:
                return
            case []:
                pass
            case _:
                print(f"not understood; {WORDS} (ranges {', '.join(ranges)})", flush=True)
