"""Measures what tests/benchmarks/README.md states: run `python tests/benchmarks/measure.py` in an environment with the project.

Every figure is taken several times; medians are printed, with minimum and maximum.
"""

from __future__ import annotations

import datetime as dt
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import cast

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from harness.commands.new import template  # noqa: E402
from harness.core.clock import RealClock  # noqa: E402
from harness.core.progress import Progress  # noqa: E402
from harness.core.stop import StopSignal  # noqa: E402
from harness.files.loading import parse_bench, parse_device  # noqa: E402
from harness.record.journal import create_record, read_record  # noqa: E402
from harness.run.pair_reader import PairReader, PairReading  # noqa: E402
from harness.run.run_context import RunContext  # noqa: E402
from harness.station.station import Station  # noqa: E402
from instruments.drivers.over_links import ScpiMeter, ScpiReference  # noqa: E402
from instruments.drivers.roles import Load, Switch  # noqa: E402
from instruments.links.visa_link import VisaLink  # noqa: E402
from instruments.operator.person import ScriptedPerson  # noqa: E402
from instruments.profile import load_profile  # noqa: E402


def spread(values: list[float], unit: float = 1.0) -> str:
    """Median with minimum and maximum."""
    scaled = sorted(v / unit for v in values)
    return f"{statistics.median(scaled):.3f} ({scaled[0]:.3f} to {scaled[-1]:.3f})"


def timed(action: Callable[[], object]) -> float:
    started = time.perf_counter()
    action()
    return time.perf_counter() - started


def reading_pairs(folder: Path, delay: float, count: int, rounds: int) -> None:
    """A pair as the runner takes it (overlapped, checked, recorded) against two bare PyVISA queries one after the other.

    Both instruments are processes of their own that answer after `delay` seconds. With none, nothing but the exchange
    is timed; instruments that take their time are read in that of the slower one.
    """
    import pyvisa

    peers = [
        subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("peer.py")), str(delay)], stdout=subprocess.PIPE, text=True
        )
        for _ in "ab"
    ]
    addresses = [f"TCPIP::127.0.0.1::{int(p.stdout.readline())}::SOCKET" for p in peers if p.stdout]
    device = parse_device(template("device.toml"), "device.toml")
    bench = parse_bench(template("bench.toml"), "bench.toml")
    clock = RealClock()
    profile = load_profile("scpi_multimeter")
    reference = ScpiReference(
        "reference", addresses[0], profile, lambda: VisaLink("reference", addresses[0]), clock.now
    )
    meter = ScpiMeter("meter", addresses[1], profile, lambda: VisaLink("meter", addresses[1]), clock.now)
    station = Station(
        load=cast(Load, None),
        reference=reference,
        meter=meter,
        switch=cast(Switch, None),
        instruments={},
        safe_order=(),
        person=ScriptedPerson(),
    )
    reference.open()
    meter.open()
    writer = create_record(folder / "pairs.jsonl", clock)
    reader = PairReader(RunContext(device, bench, station, {}, writer, clock, StopSignal(), Progress()))
    manager = pyvisa.ResourceManager("@py")
    sessions = [manager.open_resource(a, read_termination="\n", write_termination="\n") for a in addresses]

    def read_now() -> PairReading:
        # The pace of a display is no cost of the harness.
        reader._last_start = float("-inf")
        return reader.read(device.ranges[0], 0.0)

    def bare_pairs() -> None:
        for _ in range(count):
            for session in sessions:
                session.query("READ?")

    def exchanges() -> None:
        for _ in range(count):
            read_now()

    def recorded_pairs() -> None:
        for number in range(count):
            writer.write("reading", point=0, attempt=1, pair=number, **read_now().as_line)

    took: dict[str, list[float]] = {}
    for _ in range(rounds + 1):
        for name, action in (("bare", bare_pairs), ("read", exchanges), ("recorded", recorded_pairs)):
            took.setdefault(name, []).append(timed(action) / count)
    bare, read, recorded = (values[1:] for values in took.values())
    ratio = statistics.median(r / b for r, b in zip(read, bare, strict=True))
    print(f"instruments that answer after {delay:g} s")
    print(f"bare PyVISA query pair                {spread(bare, 1e-3)} ms")
    print(f"harness pair, overlapped and checked  {spread(read, 1e-3)} ms, ratio {ratio:.2f}")
    print(f"the same, recorded with fsync         {spread(recorded, 1e-3)} ms")
    for session in sessions:
        session.close()
    reference.close()
    meter.close()
    writer.close()
    for peer in peers:
        peer.kill()
        peer.wait()


def demo(folder: Path) -> None:
    """The run of the demo against the least it can take: the reference's integrations that settling and readings need."""
    out = folder / "demo"
    whole = timed(
        lambda: subprocess.run(
            [sys.executable, "-m", "harness", "demo", "--out", str(out)], cwd=ROOT, check=True, capture_output=True
        )
    )
    record = read_record(out / "record.jsonl")
    began, ended = (dt.datetime.fromisoformat(record.lines[i]["at"]) for i in (0, -1))
    run = (ended - began).total_seconds()
    settling = sum(line["seconds"] for line in record.of_kind("settled"))
    interval = 0.1
    # The last reading of a settling is the reference's of the pair that follows.
    settled = sum(1 for line in record.lines if line["kind"] == "settled")
    readings = (sum(1 for _ in record.of_kind("reading", "approach")) - settled) * interval
    display = sum(2 * interval for line in record.of_kind("point") if line["direction"] == "zero")
    bound = settling + readings + display
    print(f"demo, whole command {whole:.1f} s; its run {run:.2f} s; settling {settling:.2f} + integration {readings:.2f} + display {display:.2f} "
          f"= {bound:.2f} s; run over bound {run / bound:.3f}")  # fmt: skip
    certify = [timed(lambda: subprocess.run([sys.executable, "-m", "harness", "certify", str(out / "record.jsonl"), "--out", str(folder / "c")],
                                            cwd=ROOT, check=True, capture_output=True)) for _ in range(7)]  # fmt: skip
    print(f"certify the demo's record             {spread(certify)} s")


def help_text() -> None:
    shown = [
        timed(
            lambda: subprocess.run(
                [sys.executable, "-m", "harness", "--help"], cwd=ROOT, check=True, capture_output=True
            )
        )
        for _ in range(15)
    ]
    print(f"ratioproof --help                     {spread(shown)} s")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        help_text()
        reading_pairs(Path(name) / "at once", delay=0.0, count=500, rounds=15)
        reading_pairs(Path(name) / "slow", delay=0.1, count=5, rounds=3)
        demo(Path(name))
