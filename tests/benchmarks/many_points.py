"""Runs larger than any shipped procedure makes: many currents on every range, and many ranges."""

from pathlib import Path
from tempfile import TemporaryDirectory

from harness.commands.new import new
from harness.evaluation.ratio.point_errors import PointValues, point_values
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities
from harness.files.device import Device, Range
from harness.files.loading import parse_bench, parse_device
from harness.preparation.run_files import load_inputs
from harness.steps import Options
from tests.harness.evaluation.conftest import BENCH, DEVICE, RUN_DATE, sweep
from tests.on_twin import TwinRun

PROCEDURE = '''"""Every range up and back down at many currents, evenly spaced in ratio."""

from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, procedure


@procedure(title="Many currents", revision="1")
def many_currents(device: Device, options: Options) -> Steps:
    """Read many currents on every range."""
    for rng in device.ranges:
        span = rng.maximum_current / rng.minimum_current
        up = [rng.minimum_current * span ** (n / (CURRENTS - 1)) for n in range(CURRENTS)]
        yield Select(rng)
        for direction, currents in (("up", up), ("down", up[::-1])):
            for n, current in enumerate(currents):
                yield Apply(current)
                yield Observe(f"{rng.name} {direction} {n}", options.readings, direction)
        yield Release()
'''

TURNS = (1, 2, 4, 5, 8, 10, 16, 20, 40, 50)


def run_of_many_points(currents: int) -> TwinRun:
    """A finished run in virtual time on the three ranges of the files that `new` writes, each read twice at so many currents."""
    with TemporaryDirectory() as folder:
        procedure = Path(folder) / "many_currents.py"
        procedure.write_text(PROCEDURE.replace("CURRENTS", str(currents)), "utf-8")
        run = TwinRun(load_inputs(*new(Path(folder) / "shelf"), str(procedure), Options()))
        run.run()
    return run


def device_of_ten_ranges() -> Device:
    """Of the device of the evaluation's tests, with more sections in series."""
    device = parse_device(DEVICE, "device.toml")
    return device.model_copy(
        update={"ranges": tuple(_section(device.ranges[min(i, 1)], n) for i, n in enumerate(TURNS))}
    )


def points_of_ten_ranges(device: Device) -> list[PointValues]:
    """Points of a meter with a turn missing in its last section, nine on each range."""
    inputs = InputQuantities(parse_bench(BENCH, "bench.toml"), RUN_DATE)
    wound = {f"x{n}": n - (n == TURNS[-1]) for n in TURNS}
    return [point_values(device, inputs, p) for p in sweep(device, lambda rng, current: current * wound[rng])]


def _section(rng: Range, turns: int) -> Range:
    changed = {"name": f"x{turns}", "primary_turns": turns, "display_factor": 1 / turns}
    return rng.model_copy(update={**changed, "minimum_current": 1 / turns, "maximum_current": 100 / turns})
