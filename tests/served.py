"""A bench served by this process on real transports, for runs in processes of their own: what they did to it is seen directly."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from harness.commands.demo_bench import free_ports
from harness.commands.new import template
from harness.core.clock import RealClock
from harness.preparation.run_files import load_inputs
from harness.preparation.twin import describe
from harness.steps import Options
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench
from simulated.transports.link_faults import Schedule

COMMAND = [sys.executable, "-m", "harness"]
SHORT = ("--cautions-read", "--readings", "2", "--per-decade", "1", "--operator", "test", "--out", "out")


@dataclass
class Served:
    """The bench, and the folder with its two files."""

    folder: Path
    bench: SimulatedBench

    @property
    def record(self) -> Path:
        """Where a run with `SHORT` puts its record."""
        return self.folder / "out" / "record.jsonl"

    def start(self, *arguments: str, stdin: int = subprocess.DEVNULL) -> subprocess.Popen[str]:
        """Start a command in the folder."""
        return subprocess.Popen(
            [*COMMAND, *arguments],
            cwd=self.folder,
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
        )

    def run(self, *arguments: str) -> subprocess.Popen[str]:
        """Start a short run."""
        return self.start("run", "device.toml", "bench.toml", *SHORT, *arguments)

    def on(self) -> bool:
        """Whether the load drives current."""
        return self.bench.load.on

    def energised(self, process: subprocess.Popen[str], readings: int = 2) -> None:
        """Wait until the load is on and the record holds so many readings."""
        wait_for(
            lambda: self.on() and self.record.exists() and self.record.read_text().count('"reading"') >= readings,
            process=process,
        )


@contextmanager
def served(
    folder: Path,
    changes: Mapping[str, str] | None = None,
    *,
    schedules: Mapping[str, Schedule] | None = None,
    one_client: Sequence[str] = (),
    faults: Sequence[str] = (),
) -> Iterator[Served]:
    """The bench of the shipped files with `changes` (text: other text) made in its bench file and `faults`, on ports that are free."""
    text = template("bench.toml")
    for before, after in (changes or {}).items():
        assert before in text
        text = text.replace(before, after)
    for fixed, free in zip((15025, 15026, 15027), free_ports(3), strict=True):
        text = text.replace(str(fixed), str(free))
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    (folder / "device.toml").write_text(template("device.toml"), encoding="utf-8")
    inputs = load_inputs(folder / "device.toml", folder / "bench.toml", "turns_check", Options())
    bench = SimulatedBench(
        describe(inputs.device, inputs.bench, inputs.bench_file, inputs.folders, faults), RealClock()
    )
    bench.schedules.update(schedules or {})
    with serve(bench, one_client):
        yield Served(folder, bench)


def wait_for(
    condition: Callable[[], bool], within: float = 60.0, process: subprocess.Popen[str] | None = None
) -> float:
    """Seconds until `condition()` holds; `process` must not end before."""
    started = time.monotonic()
    while not condition():
        if process is not None and process.poll() is not None:
            raise AssertionError(f"ended with {process.returncode}: {process.communicate()}")
        assert time.monotonic() - started < within, "took too long"
        time.sleep(0.01)
    return time.monotonic() - started
