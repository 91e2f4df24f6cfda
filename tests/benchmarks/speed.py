"""Prints how long what a user waits for takes, beside its goal: run `python tests/benchmarks/speed.py` in an environment with the project.

Goals are read from `speed.toml` beside this file, and what was found is written there. `--short` repeats little and writes nothing;
names of rows measure these alone. Times are processor times (user and system) unless a row says otherwise, since the machine may be
shared; a ratio is to `python -c "import numpy"`, taken in turn with what it is compared with.

A new row is an entry of `ROWS`: a text, a unit, and a function of the workshop and the number of repetitions that returns what was
measured. Its goal is a table of its name in `speed.toml`. What grows is an entry of `GROWTHS`, which a test reads too.
"""

from __future__ import annotations

import argparse
import datetime as dt
import io
import json
import math
import os
import platform
import statistics
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

# As the command line has it: the matrices are small.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402
from uncertainties import ufloat  # noqa: E402

from harness.commands.new import new  # noqa: E402
from harness.evaluation.diagnosis.causes import shipped_causes  # noqa: E402
from harness.evaluation.diagnosis.density import broad, density  # noqa: E402
from harness.evaluation.diagnosis.diagnosis import diagnose  # noqa: E402
from harness.evaluation.diagnosis.evidence import CURRENTS_ONLY, Observations, Settings, observations  # noqa: E402
from harness.evaluation.diagnosis.hypotheses import hypotheses  # noqa: E402
from harness.evaluation.diagnosis.predictions import build  # noqa: E402
from harness.evaluation.range_evaluation import EvaluationOptions, evaluate_ranges  # noqa: E402
from harness.evaluation.ratio.linearity import independent, zero_based  # noqa: E402
from harness.evaluation.ratio.point_errors import point_values  # noqa: E402
from harness.evaluation.ratio.straight_line import fit, propagated  # noqa: E402
from harness.evaluation.run_evaluation import evaluate  # noqa: E402
from harness.evaluation.uncertainty.shared_inputs import SharedCovariance  # noqa: E402
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities  # noqa: E402
from harness.preparation.run_files import load_inputs  # noqa: E402
from harness.preparation.seeded_runs import seeded_runs  # noqa: E402
from harness.record.history import device_and_bench, observed_points  # noqa: E402
from harness.record.journal import RecordWriter, parse_record, read_record  # noqa: E402
from harness.steps import Options  # noqa: E402
from simulated.physics.virtual_clock import VirtualClock  # noqa: E402
from tests.benchmarks.long_record import write_long_record  # noqa: E402
from tests.benchmarks.many_points import (  # noqa: E402
    device_of_ten_ranges,
    points_of_ten_ranges,
    run_of_many_points,
)
from tests.benchmarks.whole_runs import seconds  # noqa: E402
from tests.on_twin import TwinRun  # noqa: E402

FILE = Path(__file__).with_name("speed.toml")
# As an installed program has them: the first run writes the compiled modules.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
IMPORT_NUMPY = (sys.executable, "-c", "import numpy")


@dataclass(frozen=True)
class Workshop:
    """The files rows work with: those that `new` writes, and the record of `current_ratio` on the bench they describe, 42 points."""

    device: Path
    bench: Path
    record: Path


@dataclass(frozen=True)
class Measured:
    """Values in the row's unit, and those of what they are compared with."""

    values: Sequence[float]
    base: Sequence[float] = ()


@dataclass(frozen=True)
class Row:
    """A line of the table."""

    what: str
    unit: str
    measure: Callable[[Workshop, int], Measured]


def processor_time(command: Sequence[str]) -> float:
    """User and system time of a process and what it started, in seconds. Raises CalledProcessError unless its exit status is 0 or 1."""
    import resource  # Windows has none, and the growths are tested there too.

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    ended = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, env=ENVIRONMENT)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if ended.returncode > 1:
        raise subprocess.CalledProcessError(ended.returncode, command, ended.stdout, ended.stderr)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def command(*arguments: str) -> Callable[[Workshop, int], Measured]:
    """A command of the program in a process of its own; DEVICE, BENCH and RECORD stand for the workshop's files."""

    def measure(shop: Workshop, repetitions: int) -> Measured:
        whole = _whole(shop, arguments)
        processor_time(whole)
        base, values = [], []
        for _ in range(repetitions):
            base.append(processor_time(IMPORT_NUMPY))
            values.append(processor_time(whole))
        return Measured(values, base)

    return measure


def first_line(*arguments: str) -> Callable[[Workshop, int], Measured]:
    """Time on the clock until a command prints its first line."""

    def measure(shop: Workshop, repetitions: int) -> Measured:
        values = []
        for _ in range(repetitions + 1):
            began = time.perf_counter()
            with subprocess.Popen(
                _whole(shop, arguments),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=ENVIRONMENT,
            ) as running:
                assert running.stdout is not None
                assert running.stdout.readline()
                values.append(time.perf_counter() - began)
                running.kill()
        return Measured(values[1:])

    return measure


def _whole(shop: Workshop, arguments: Sequence[str]) -> list[str]:
    places = {"DEVICE": shop.device, "BENCH": shop.bench, "RECORD": shop.record}
    return [sys.executable, "-m", "harness", *(str(places.get(a, a)) for a in arguments)]


@dataclass(frozen=True)
class Growth:
    """What grows: `prepare` returns, for a size, the work to be timed; the larger size is that many times the smaller one."""

    what: str
    prepare: Callable[[Workshop, int], Callable[[], object]]
    small: int
    times: int

    def exponent(self, shop: Workshop, repetitions: int) -> float:
        """The power of the size with which the processor time grows, from the shortest times of each."""
        small, large = self.prepare(shop, self.small), self.prepare(shop, self.small * self.times)
        shortest = [min(_timed(work) for _ in range(repetitions)) for work in (small, large)]
        return math.log(shortest[1] / shortest[0]) / math.log(self.times)


def _timed(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _record_of_lines(_: Workshop, count: int) -> Callable[[], object]:
    stream = io.BytesIO()
    writer = RecordWriter(stream, VirtualClock(), sync=False)
    for number in range(count):
        writer.write("settled", current=1.0 + number, readings=3, seconds=1.0)
    content = stream.getvalue()
    return lambda: parse_record(content, "grown")


def _record_of_readings(shop: Workshop, count: int) -> Callable[[], object]:
    run = TwinRun(load_inputs(shop.device, shop.bench, "turns_check", Options(readings=count)))
    run.run()
    return lambda: evaluate(run.record, "grown")


def virtual(integration: float, refresh_interval: float) -> Callable[[Workshop, int], Measured]:
    """A run of `current_ratio` on the simulated bench, in virtual seconds, which are exact."""
    return lambda _, __: Measured([seconds(integration, refresh_interval)])


def _record_of_points(_: Workshop, currents: int) -> Callable[[], object]:
    run = run_of_many_points(currents)
    return lambda: evaluate(run.record, "grown")


def _readings_weighed(shop: Workshop, times: int) -> Callable[[], object]:
    """Those of the workshop's record again and again, with what they share: fitted by every single cause and the broad alternatives."""
    device, bench = device_and_bench(record := read_record(shop.record))
    inputs = InputQuantities(bench, dt.date(2026, 11, 27))
    once = observations(device, [point_values(device, inputs, p) for p in observed_points(record)], CURRENTS_ONLY)
    assert once is not None
    again = np.tile(np.arange(len(once.values)), times)
    spread, at = once.covariance, Settings(*(part[again] for part in vars(once.settings).values()))
    whole = SharedCovariance(spread.own[again], spread.shared[again])
    data, catalogue = Observations(at, once.values[again], whole, whole), shipped_causes()
    found = hypotheses(device, catalogue)
    model = build(device, catalogue, found)

    def work() -> None:
        common = density(data, catalogue.unmodelled.shape)
        for single in range(len(found.singles)):
            common.of(model.part(np.array([single])).predict(at))
        for alternative in broad(data, len(device.ranges)):
            common.of_alternative(alternative)

    return work


def _curve_of(_: Workshop, count: int) -> Callable[[], object]:
    x = np.geomspace(0.1, 100.0, count)
    y = x * (1 + 2e-5 * x + 1e-4 * np.random.default_rng(1).standard_normal(count))
    return lambda: (independent(x, y), zero_based(x, y))


def _line_through(_: Workshop, count: int) -> Callable[[], object]:
    x = [ufloat(1.0 + number, 0.01) for number in range(count)]
    gain = ufloat(1.0, 0.001)
    at = [value.nominal_value for value in x]
    found = fit(at, at, [0.01] * count, [0.01] * count)
    return lambda: propagated(found, x, [value * gain for value in x])[0].std_dev


def whole_verification(shop: Workshop, repetitions: int) -> Measured:
    """A run through the protocols, every check of its record, and its evaluation with the causes weighed."""
    inputs = load_inputs(shop.device, shop.bench, "current_ratio", Options())

    def work() -> None:
        run = TwinRun(inputs)
        run.run()
        run.results()

    return Measured([_timed(work) for _ in range(repetitions)])


def seeded_verification(shop: Workshop, repetitions: int) -> Measured:
    """The readings of a seed along the course of another, and the evaluation of its ranges without causes: the mean of 20.

    No record is written or checked. The one run that is followed is made before.
    """
    runs = seeded_runs(load_inputs(shop.device, shop.bench, "current_ratio", Options()))
    inputs, options, count = runs.inputs, EvaluationOptions(diagnosed=False), 20

    def work(first: int) -> None:
        for points in runs.points(range(first, first + count)):
            evaluate_ranges(inputs.device, inputs.bench, points, runs.ranges, dt.date(2026, 11, 27), options)

    return Measured([_timed(partial(work, 1000 + count * n)) / count for n in range(repetitions)])


GROWTHS = {
    "growth-lines": Growth("a record read and its hashes checked: growth with its lines", _record_of_lines, 2000, 8),
    "growth-readings": Growth("a record evaluated: growth with the readings at a point", _record_of_readings, 60, 8),
    "growth-points": Growth("a record evaluated: growth with its points", _record_of_points, 14, 8),
    "growth-causes": Growth("readings fitted by causes: growth with their number", _readings_weighed, 12, 8),
    "growth-linearity": Growth("the linearity of a range: growth with its points", _curve_of, 30, 8),
    "growth-line": Growth("the uncertainty of a range's line: growth with its points", _line_through, 100, 8),
}


def ten_ranges(_: Workshop, repetitions: int) -> Measured:
    """The diagnosis of nine points on each of ten ranges."""
    device = device_of_ten_ranges()
    points = points_of_ten_ranges(device)
    return Measured([_timed(lambda: diagnose(device, points)) for _ in range(repetitions)])


def write_many_points(file: Path) -> None:
    """Write a record of 996 points into `file`."""
    file.write_bytes(run_of_many_points(166).content)


def large_record(
    name: str, write: Callable[[Path], None], code: str, what: Callable[[Any, str], float]
) -> Callable[[Workshop, int], Measured]:
    """`code` given the record of this name, once: `what` of the usage of resources by a process that does nothing else, and of what it printed."""

    def measure(shop: Workshop, _: int) -> Measured:
        file = shop.record.with_name(name)
        if not file.exists():
            write(file)
        command = [sys.executable, "-c", f"{code}; {PRINT_LARGEST}", str(file)]
        with subprocess.Popen(command, cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.PIPE, text=True) as running:
            assert running.stdout is not None
            printed = running.stdout.read()
            _, status, usage = os.wait4(running.pid, 0)
            running.returncode = status
        if status:
            raise subprocess.CalledProcessError(status, command)
        return Measured([what(usage, printed)])

    return measure


def seconds_used(usage: Any, _: str) -> float:
    """Processor time, user and system."""
    return float(usage.ru_utime + usage.ru_stime)


def megabytes_used(_: Any, printed: str) -> float:
    """Largest memory, which Linux gives in units of 1024 bytes."""
    return int(printed) / 1024


# The usage of resources would count the process that started it, too.
PRINT_LARGEST = "print(next(l for l in open('/proc/self/status') if l.startswith('VmHWM')).split()[1])"
READ = "import sys, pathlib, harness.record.journal as j; record = j.read_record(pathlib.Path(sys.argv[1]))"
EVALUATE = f"{READ}; import harness.evaluation.run_evaluation as e; e.evaluate(record, 'large')"
long_record = partial(large_record, "long.jsonl", write_long_record, READ)
many_points = partial(large_record, "many.jsonl", write_many_points, EVALUATE)

ROWS = {
    "help": Row("ratioproof --help", "s", command("--help")),
    "list-faults": Row("ratioproof demo --list-faults", "s", command("demo", "--list-faults")),
    "design": Row("ratioproof design", "s", command("design", "DEVICE")),
    "rehearse": Row("ratioproof rehearse", "s", command("rehearse", "DEVICE", "BENCH")),
    "verification": Row("a virtual verification, checks and causes included", "s", whole_verification),
    "verification-seeded": Row("the same along another seed's course, without both", "s", seeded_verification),
    "run-first-screen": Row(
        "ratioproof run to its first line, by the clock", "s", first_line("run", "DEVICE", "BENCH")
    ),
    "demo-run": Row("the demo's run, 42 points, virtual time", "s", virtual(0.1, 0.1)),
    "slow-multimeter": Row("the same, multimeter and display taking 1 s", "s", virtual(1.0, 1.0)),
    "slow-display": Row("the same, the display alone taking 1 s", "s", virtual(0.1, 1.0)),
    "certify": Row("ratioproof certify, 42 points, 2,598 hypotheses", "s", command("certify", "RECORD")),
    "ten-ranges": Row("diagnosis of ten ranges, 90 points, 22,438 hypotheses", "s", ten_ranges),
    "many-points-time": Row("a record of 996 points read and evaluated", "s", many_points(seconds_used)),
    "many-points-memory": Row("the same, memory at most", "MB", many_points(megabytes_used)),
    "long-record-time": Row("a record of 1,000,000 lines read and its hashes checked", "s", long_record(seconds_used)),
    "long-record-memory": Row("the same, memory at most", "MB", long_record(megabytes_used)),
    **{
        name: Row(
            growth.what, "power", lambda shop, n, growth=growth: Measured([growth.exponent(shop, 3) for _ in range(n)])
        )
        for name, growth in GROWTHS.items()
    },
}


def furnished(folder: Path) -> Workshop:
    """A workshop in `folder`; its record is made in virtual time."""
    device, bench = new(folder / "shelf")
    run = TwinRun(load_inputs(device, bench, "current_ratio", Options()))
    run.run()
    record = folder / "record.jsonl"
    record.write_bytes(run.content)
    return Workshop(device, bench, record)


def found(measured: Measured) -> dict[str, Any]:
    """What is kept of a row: median, least and most, and the ratio of medians where there is something to compare with."""
    values = measured.values
    kept = {"median": statistics.median(values), "least": min(values), "most": max(values)}
    if measured.base:
        kept["ratio"] = kept["median"] / statistics.median(measured.base)
    return {name: float(f"{value:.3g}") for name, value in kept.items()}


def line(name: str, kept: dict[str, Any]) -> str:
    """A row of the table; what misses its goal is marked."""
    row = ROWS[name]
    shown = f"{kept['median']:<7g} {row.unit:<6} {kept['least']:g} to {kept['most']:g}".ljust(34)
    goals = [f"{kept['goal']:g} {row.unit}"] if "goal" in kept else []
    missed = "goal" in kept and kept["median"] > kept["goal"]
    if "ratio" in kept:
        shown += f" ratio {kept['ratio']:g}"
    if "goal_ratio" in kept:
        goals.append(f"ratio {kept['goal_ratio']:g}")
        missed |= kept["ratio"] > kept["goal_ratio"]
    return f"{row.what:<62} {shown:<48} goal {' and '.join(goals) or 'none':<20}{' MISSED' if missed else ''}"


def machine() -> str:
    """The kind of machine, and what it runs."""
    information = Path("/proc/cpuinfo")
    lines = information.read_text("utf-8").splitlines() if information.exists() else []
    model = next(
        (text.partition(":")[2].strip() for text in lines if text.startswith("model name")), platform.processor()
    )
    return f"{os.cpu_count()} processors ({model or platform.machine()}), {platform.system()}, Python {platform.python_version()}"


def as_toml(tables: dict[str, dict[str, Any]]) -> str:
    """Tables of texts and numbers as TOML."""
    written = ["# Goals, kept by hand, and what speed.py found last. Units are those of its rows.\n"]
    for name, table in tables.items():
        written += [f"\n[{name}]\n", *(f"{key} = {json.dumps(value)}\n" for key, value in table.items())]
    return "".join(written)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rows", nargs="*", metavar="NAME", help=f"one of {', '.join(ROWS)} (default: all)")
    parser.add_argument("--short", action="store_true", help="three repetitions instead of nine, and nothing written")
    asked = parser.parse_args(arguments)
    if unknown := set(asked.rows) - ROWS.keys():
        parser.error(f"found {', '.join(sorted(unknown))}, expected names of rows")
    tables = tomllib.loads(FILE.read_text("utf-8"))
    taken = {"taken": dt.date.today().isoformat(), "machine": machine()}
    print(taken["machine"])
    with TemporaryDirectory() as folder:
        shop = furnished(Path(folder))
        for name in asked.rows or ROWS:
            # A figure taken beside other work says so.
            load = {"load": round(os.getloadavg()[0], 1)}
            goals = {key: value for key, value in tables.get(name, {}).items() if key.startswith("goal")}
            tables[name] = goals | found(ROWS[name].measure(shop, 3 if asked.short else 9)) | taken | load
            print(line(name, tables[name]), flush=True)
    if not asked.short:
        FILE.write_text(as_toml(tables), "utf-8")


if __name__ == "__main__":
    main()
