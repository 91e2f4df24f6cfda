"""`ratioproof simulate`: the simulated bench on its own, for another program to talk to."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from queue import Empty, SimpleQueue

from harness.commands.attendance import wrapped
from harness.commands.bench_words import BenchWords
from harness.core.clock import RealClock
from harness.core.errors import UserError
from harness.core.lines_heard import lines_heard
from harness.core.stop import StopSignal
from harness.preparation.run_files import load_inputs
from harness.preparation.twin import describe
from harness.steps import Options
from simulated.bench import SimulatedBench
from simulated.serve import SimulationError, serve

LOOK_EVERY = 0.2
"""Seconds between two looks whether to stop."""


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
            words = BenchWords(simulated, inputs)
            print(wrapped(f"faults: {', '.join(wanted) or 'none'}; {words.told}"), flush=True)
            _attend(words, stop)
    except SimulationError as failure:
        raise UserError(f"{bench_file}: {failure}") from failure
    return 0


def _attend(words: BenchWords, stop: StopSignal) -> None:
    """Do what is typed; without a terminal just serve."""
    typed = _typed()
    while not stop.reason:
        try:
            line = typed.get(timeout=LOOK_EVERY)
        except Empty:
            continue
        if line is None:
            while not stop.reason:
                time.sleep(LOOK_EVERY)
        elif line.strip() == "quit":
            return
        elif line.strip():
            print(wrapped(words.answer(line)), flush=True)


def _typed() -> SimpleQueue[str | None]:
    # A program without a terminal (pythonw) has no standard input at all, and some stand-ins for one have no descriptor.
    with contextlib.suppress(AttributeError, OSError, ValueError):
        return lines_heard(sys.stdin.fileno())
    nothing: SimpleQueue[str | None] = SimpleQueue()
    nothing.put(None)
    return nothing
