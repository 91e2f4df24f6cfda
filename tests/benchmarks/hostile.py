"""A campaign of link faults over whole simulated runs: no wrong reading may count, every run ends complete or safe.

`python tests/benchmarks/hostile.py [FAULTS [SEED]]` injects at least FAULTS (default 10,000) in virtual time, seed after seed, on the
links of load, reference, meter and relay at once, and prints what came of it. Every reading of a finished point is compared
with what the physics did at that very time: the reference's with the current through the meter, within what the reference
claims, and the device's with what its display showed, within its noise. `--sockets` does it over TCP and a pseudo-terminal
in real time instead.
"""

from __future__ import annotations

import socket
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from harness.commands.new import new  # noqa: E402
from harness.core.clock import RealClock  # noqa: E402
from harness.core.clock import RealClock as SimulatedRealClock  # noqa: E402
from harness.core.errors import AbortedSafe, NotSafe, UserError  # noqa: E402
from harness.preparation.run_files import RunInputs, load_inputs  # noqa: E402
from harness.station.wires import Wires  # noqa: E402
from harness.steps import Options  # noqa: E402
from simulated.physics.true_path import path_as_it_is  # noqa: E402
from simulated.serve import serve  # noqa: E402
from simulated.simulated_bench import SimulatedBench  # noqa: E402
from simulated.transports.link_faults import FAULTS, Schedule  # noqa: E402
from tests.on_twin import TwinRun  # noqa: E402

RATES = (0.005, 0.02, 0.08)
"""Probability that an exchange is struck, one after the other over the seeds: from a bad day to a ruin."""
UNSEEABLE = ("wrong-digit",)
"""Left out: a well-formed answer with one digit changed is a number like any other."""
WANDER = 5e-4
"""A pair's reference may be a reading from moments before; the load wanders by this much (relative) meanwhile."""
NOISE = 1e-3
"""The display's own noise from one refresh to the next (relative), besides one and a half of its steps."""


@dataclass
class Outcome:
    """What the runs came to."""

    runs: int = 0
    complete: int = 0
    aborted: int = 0
    not_begun: int = 0
    not_safe: int = 0
    left_on: int = 0
    readings: int = 0
    wrong: list[str] = field(default_factory=list)
    injected: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)


class SocketRun(TwinRun):
    """A whole run in real time: instruments served on TCP and a pseudo-terminal in `folder`, reached over PyVISA and Modbus."""

    def __init__(self, inputs: RunInputs, folder: Path) -> None:
        super().__init__(inputs)
        self._folder = folder
        self.clock = RealClock()
        self.bench = SimulatedBench(self.bench.description, SimulatedRealClock())

    def run(self) -> None:
        """From safe to safe; raises what the runner raises."""
        self.links = Wires(self._folder)
        with serve(self.bench):
            super().run()


def one_run(inputs: RunInputs, seed: int, outcome: Outcome, faults: Sequence[str], folder: Path | None = None) -> None:
    """One whole run with faults on every link; what came of it is added to `outcome`. In `folder` over real transports."""
    twin = TwinRun(inputs) if folder is None else SocketRun(inputs, folder)
    schedules = {
        name: Schedule(seed=seed * 10 + number, rate=RATES[seed % len(RATES)], faults=faults, lateness=1.5, away=0.4)
        for number, name in enumerate(inputs.bench.instruments)
    }
    twin.bench.schedules.update(schedules)
    outcome.runs += 1
    try:
        twin.run()
        outcome.complete += 1
    except AbortedSafe as failure:
        outcome.aborted += 1
        outcome.reasons[str(failure)[:60]] += 1
        outcome.left_on += twin.bench.truth().load_on
    except NotSafe as failure:
        outcome.not_safe += 1
        outcome.reasons[f"NOT SAFE {failure}"[:160]] += 1
    except UserError:
        outcome.not_begun += 1
        outcome.left_on += twin.bench.truth().load_on
    for schedule in schedules.values():
        outcome.injected += schedule.counts
    check(inputs, twin, outcome)


def check(inputs: RunInputs, run: TwinRun, outcome: Outcome) -> None:
    """Compare every reading that counts with what really happened when it was taken."""
    record, bench, began = run.record, run.bench, run.time_zero
    attempts = {line["point"]: line for line in record.of_kind("point")}
    path = path_as_it_is(bench.description)
    ranges = {r.full_scale: r for r in inputs.bench.entry("reference").ranges}
    for line in record.of_kind("reading"):
        point = attempts.get(line["point"])
        if point is None or point["attempt"] != line["attempt"]:
            continue
        outcome.readings += 1
        read, shown = line["reference"], line["displayed"]
        accuracy = ranges[point["reference_scale"]]
        true = path.output(bench.mean_current(began + read["started"], began + read["finished"]))
        claim = accuracy.of_reading * true + accuracy.of_range * accuracy.full_scale + accuracy.resolution
        if abs(read["value"] - true) > claim + WANDER * true:
            outcome.wrong.append(f"{point['name']}: reference {read['raw']} where {true:.6g} was true")
        refresh, step = inputs.device.display.refresh_interval, inputs.device.display.resolution
        first, last = (int((began + time) // refresh) for time in (shown["started"] - refresh, shown["finished"]))
        possible = [bench.shown((slot + 0.5) * refresh).current for slot in range(first, last + 1)]
        if not any(abs(shown["value"] - value) < 1.5 * step + NOISE * value for value in possible):
            outcome.wrong.append(f"{point['name']}: device {shown['value']:g} where it showed {possible}")


def campaign(wanted: int, faults: Sequence[str] = (), first_seed: int = 0, *, sockets: bool = False) -> Outcome:
    """Runs until `wanted` faults have been injected; with `sockets` over real transports, a quick check each."""
    chosen = tuple(faults) or tuple(f for f in FAULTS if f not in UNSEEABLE)
    with tempfile.TemporaryDirectory() as folder:
        device, bench = new(Path(folder))
        if sockets:
            bench.write_text(on_free_ports(bench.read_text(encoding="utf-8")), encoding="utf-8")
        procedure = "turns_check" if sockets else "current_ratio"
        inputs = load_inputs(device, bench, procedure, Options(readings=3, per_decade=2))
        outcome = Outcome()
        seed = first_seed
        while outcome.injected.total() < wanted:
            one_run(inputs, seed, outcome, chosen, Path(folder) if sockets else None)
            seed += 1
    return outcome


def on_free_ports(text: str) -> str:
    """The bench file on ports that nobody has, with timeouts short enough for many faults."""
    holders = [socket.create_server(("127.0.0.1", 0)) for _ in range(3)]
    for fixed, holder in zip((15025, 15026, 15027), holders, strict=True):
        text = text.replace(f"::{fixed}::", f"::{holder.getsockname()[1]}::")
        holder.close()
    return text.replace('timeout = "1 s"', 'timeout = "500 ms"')


def report(outcome: Outcome) -> None:
    """Print the figures."""
    print(f"{outcome.injected.total()} faults in {outcome.runs} runs: {outcome.complete} complete, ", end="")
    print(f"{outcome.aborted} aborted and safe, {outcome.not_begun} not begun, {outcome.not_safe} not safe; ", end="")
    print(f"load left on behind the program's back: {outcome.left_on}")
    print(f"{outcome.readings} readings that count, {len(outcome.wrong)} wrong")
    print(", ".join(f"{name} {count}" for name, count in sorted(outcome.injected.items())))
    for line in outcome.wrong[:10]:
        print(f"  {line}")
    for reason, count in outcome.reasons.most_common(8):
        print(f"  {count} x {reason}")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    report(campaign(numbers[0] if numbers else 10_000, first_seed=sum(numbers[1:]), sockets="--sockets" in sys.argv))
